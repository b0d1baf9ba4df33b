"""Reliability: published data by lme4, closed forms, planted truth, measured coverage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import agreement, mixed
from cohortkit.agreement import reliability
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.agreement.multisite import PLANTED, readings
from tests.agreement.reads import long
from tests.agreement.simulated_reliability import CELLS, measure
from tests.covered import printed
from tests.expected import figures
from tests.mixed.designs import crossed, shrout_fleiss

PLAIN = {"unit": "1", "n_boot": 200}
QUICK = (0.906, 0.994)  # 400 runs of a true 95 %: band of 4 standard errors


@pytest.mark.parametrize(
    ("case", "file", "columns"),
    [
        (
            "a07_machines_random_machine", "machines",
            {"value": "score", "participant": "worker", "rater": "machine"},
        ),
        ("a08_fat_sub", "fat_ultrasound", {"value": "sub", "participant": "id", "rater": "observer"}),
        ("a08_fat_vic", "fat_ultrasound", {"value": "vic", "participant": "id", "rater": "observer"}),
    ],
)  # fmt: skip
def test_repeated_readings_against_lme4(check_values, case, file, columns):
    rows = pd.read_csv(check_values / "data" / f"{file}.csv")
    wanted = figures(check_values, case)
    found = reliability(rows, **columns, **PLAIN)
    for ours, theirs in {
        "icc_agreement": "icc_interrater_single",
        "icc_intra": "icc_intrarater_single",
        "sem_inter": "sem_interrater",
        "sem_intra": "sem_intrarater",
    }.items():
        # check values: lme4 1.1-31; their tolerance, or six digits where lme4 stops earlier
        row = wanted.loc[theirs]
        assert found[ours].value == pytest.approx(row["value"], rel=1e-5, abs=row["tolerance"])


def test_one_reading_each_against_lme4(check_values):
    rows = pd.read_csv(check_values / "data" / "penicillin.csv")
    wanted = figures(check_values, "a04_penicillin")
    found = reliability(rows, value="diameter", participant="plate", rater="sample", **PLAIN)
    for ours, theirs in {
        "icc_agreement": "reml_icc_plate_agreement",
        "icc_consistency": "reml_icc_plate_consistency",
    }.items():
        row = wanted.loc[theirs]
        assert found[ours].value == pytest.approx(row["value"], abs=row["tolerance"])
    assert "icc_intra" not in [e.name for e in found]
    assert "no_repeated_reading" in [c.code for c in found.cautions]


def test_a_complete_table_gives_what_icc_gives():
    rows = shrout_fleiss()
    names = {"rater": "judge", "value": "rating"}
    usual = agreement.icc(rows, subject="subject", participant=None, unit="1", **names)
    found = reliability(rows, participant="subject", unit="1", n_boot=20000, seed=1, **names)
    for ours, theirs in {
        "icc_agreement": "icc_a_1",
        "icc_consistency": "icc_c_1",
        "sem_inter": "sem_agreement",
        "sem_consistency": "sem_consistency",
        "reproducibility_coefficient": "sdc_agreement",
    }.items():
        assert found[ours].value == pytest.approx(usual[theirs].value, rel=1e-5)
        # the pivots of icc by quadrature and exact F and chi-square limits; 20,000 draws here
        assert found[ours].lower == pytest.approx(usual[theirs].lower, rel=0.05, abs=0.01)
        assert found[ours].upper == pytest.approx(usual[theirs].upper, rel=0.05, abs=0.01)


def test_planted_variances_are_found():
    rows = readings(participants=60, sites=4, raters_a_site=2, seed=3)
    found = reliability(rows, n_boot=300)
    for name in ("participant", "finger", "scan", "rater", "subject_rater", "residual"):
        sd = found[f"sd_{name}"]
        # planted truth
        assert sd.lower <= np.sqrt(PLANTED[name]) <= sd.upper
    assert found["sd_residual"].value == pytest.approx(np.sqrt(PLANTED["residual"]), rel=0.05)
    assert found.left_out.empty
    # by hand: what a new site adds to the error
    added = found["sem_inter_new_site"].value ** 2 - found["sem_inter"].value ** 2
    assert added == pytest.approx(found["sd_rater_site"].value ** 2)


def test_every_figure_follows_from_the_components():
    found = reliability(readings(), k_raters=2, m_reads=3, n_boot=200)
    v = found.components.set_index("component")["variance"]
    fit = mixed.fit(
        readings(), random=[["participant_id"], ["finger_id"], ["scan_id"], ["rater_id"],
        ["rater_site_id"], ["site_id"], ["scan_id", "rater_id"]],
    )  # fmt: skip
    assert v["finger"] == pytest.approx(fit["var_finger_id"].value, rel=1e-6)
    # by hand, from here on
    error = v["rater"] + v["subject_rater"] + v["residual"]
    objects = v["participant"] + v["finger"] + v["scan"]
    assert found["sem_inter"].value == pytest.approx(np.sqrt(error))
    assert found["icc_agreement"].value == pytest.approx(objects / (objects + error))
    mean = v["rater"] / 2 + v["subject_rater"] / 2 + v["residual"] / 6
    assert found["sem_inter_averaged"].value == pytest.approx(np.sqrt(mean))
    factor = 1.959964 * np.sqrt(2)
    assert found["sdc_inter"].value == pytest.approx(factor * np.sqrt(mean), rel=1e-6)
    assert found["sdc_intra"].value == pytest.approx(factor * np.sqrt(v["residual"] / 3), rel=1e-6)
    for name, e in (("reproducibility", error), ("repeatability", v["residual"])):
        assert found[f"{name}_coefficient"].value == pytest.approx(factor * np.sqrt(e), rel=1e-6)
    level = readings()["gap_mm"].mean()
    assert found["cv_intra"].value == pytest.approx(100 * np.sqrt(v["residual"]) / level, rel=1e-5)
    assert found["cv_intra"].unit == "%"


def test_a_new_scan_counts_scans_as_error():
    same, new = (reliability(readings(), n_boot=200, occasion=o) for o in ("same_scan", "new_scan"))
    added = new["sem_intra"].value ** 2 - same["sem_intra"].value ** 2
    assert added == pytest.approx(same["sd_scan"].value ** 2)  # by hand
    assert new["icc_agreement"].value < same["icc_agreement"].value
    with pytest.raises(EstimateError, match="spread between scans"):
        reliability(readings(scans=1), occasion="new_scan", n_boot=200)


def test_nested_raters_say_nothing_of_a_new_site():
    found = reliability(readings(crossed=False), n_boot=200)
    names = [e.name for e in found]
    assert "sem_inter" in names
    assert "sem_inter_new_site" not in names
    codes = [c.code for c in found.cautions]
    assert {"no_new_site", "few_rater_contrasts", "few_participants"} <= set(codes)


def test_raters_each_of_a_site_of_their_own_say_nothing_of_one_site():
    found = reliability(readings(raters_a_site=1, sites=5), n_boot=200)
    names = [e.name for e in found]
    assert "sem_inter_new_site" in names
    assert "sem_inter" not in names
    assert "raters_of_one_site_unseen" in [c.code for c in found.cautions]


def test_one_rater_gives_the_within_subject_sd():
    table = readings(fingers=1, scans=1, sites=1, raters_a_site=1, participants=40)
    found = reliability(table, site=None, rater_site=None, rater=None, n_boot=20000)
    usual = agreement.icc(table, rater=None)["sem_oneway"]
    assert found["sem_intra"].value == pytest.approx(usual.value, rel=1e-5)
    assert found["sem_intra"].lower == pytest.approx(usual.lower, rel=0.01)
    assert found["sem_intra"].upper == pytest.approx(usual.upper, rel=0.01)
    assert "sem_inter" not in [e.name for e in found]


def test_groups_are_asked_apart_and_a_lost_group_is_named():
    table = pd.concat(
        [
            readings(seed=1).assign(pulley="A2", injured=False),
            readings(seed=2, planted={"residual": 0.09}).assign(pulley="A2", injured=True),
            readings(seed=3, reads=1, sites=1, raters_a_site=1).assign(pulley="A4", injured=True),
        ],
        ignore_index=True,
    )
    with pytest.raises(EstimateError, match="mix different quantities"):
        reliability(table)
    found = reliability(table, by=["pulley", "injured"], n_boot=200)
    assert list(found.parts) == ["pulley=A2; injured=no", "pulley=A2; injured=yes"]
    alone = reliability(table[table["pulley"].eq("A2") & table["injured"]], n_boot=200)
    both = found["sem_intra@pulley=A2; injured=yes"]
    assert (both.value, both.lower) == (alone["sem_intra"].value, alone["sem_intra"].lower)
    lost = [c for c in found.cautions if c.code == "not_estimated"]
    assert len(lost) == 1
    assert "pulley=A4; injured=yes" in lost[0].message
    assert set(found.components["group"]) == set(found.parts)


def test_every_pulley_apart_though_each_is_read_to_its_own_structure():
    parts = {("A2", "phalanx"): 1, ("A3", "volar_plate"): 2}
    table = pd.concat(
        [
            readings(seed=seed).assign(pulley=pulley, load="loaded", reference_structure=to)
            for (pulley, to), seed in parts.items()
        ],
        ignore_index=True,
    )
    found = reliability(table, by=["pulley", "load"], n_boot=200)
    assert list(found.parts) == ["pulley=A2; load=loaded", "pulley=A3; load=loaded"]
    for estimate in found:
        assert estimate.n_participants
        assert estimate.n_fingers
        assert estimate.n_readings
    with pytest.raises(EstimateError, match="mix different quantities in column 'pulley'"):
        reliability(table, by=["load"])


def test_spread_that_grows_is_told_and_the_log_scale_heals_it():
    table = readings(participants=60, planted={"participant": 0.3, "residual": 0.0})
    rng = np.random.default_rng(5)
    grown = table.assign(gap_mm=np.exp(table["gap_mm"] / 2 + 0.1 * rng.standard_normal(len(table))))
    natural = reliability(grown, n_boot=200)
    said = {c.code: c.message for c in natural.cautions}
    assert 'scale="log"' in said["spread_grows_with_size"]
    logs = reliability(grown, scale="log", n_boot=200)
    assert "spread_grows_with_size" not in [c.code for c in logs.cautions]
    # planted truth: the SD of the logs of readings of one scan by one rater is 0.1
    assert logs["sem_intra"].value == pytest.approx(0.1, rel=0.05)
    s = logs["sem_intra"].value
    assert logs["cv_intra"].value == pytest.approx(100 * np.sqrt(np.exp(s**2) - 1))
    # source: normal quantile of 0.975
    assert logs["sdc_intra_ratio"].value == pytest.approx(
        np.exp(1.959964 * np.sqrt(2) * s), rel=1e-6
    )


def test_the_bootstrap_is_there_by_name_with_its_caution():
    rows = crossed(12, 4, 2, (1, 0.5, 0.4), seed=2)
    names = {"value": "value", "participant": "subject", "rater": "rater", "unit": "1"}
    found = reliability(rows, intervals="bootstrap", n_boot=100, **names)
    assert "bootstrap_few_raters" in [c.code for c in found.cautions]
    assert found["sem_intra"].lower < found["sem_intra"].value < found["sem_intra"].upper


def test_the_same_call_gives_the_same_answer_whatever_the_order_of_rows():
    table = readings()
    first, again = (
        reliability(t, n_boot=200) for t in (table, table.sample(frac=1, random_state=2))
    )
    for a, b in zip(first, again, strict=True):
        assert (a.name, a.n_readings) == (b.name, b.n_readings)
        assert a.value == pytest.approx(b.value, rel=1e-6, abs=1e-9)
        assert (a.lower, a.upper) == pytest.approx((b.lower, b.upper), rel=1e-6, abs=1e-9)


def test_units_scale_and_shift():
    table = readings()
    moved = table.assign(gap_mm=100 + 10 * table["gap_mm"])
    a, b = (reliability(t, n_boot=200) for t in (table, moved))
    assert b["sem_inter"].value == pytest.approx(10 * a["sem_inter"].value, rel=1e-5)
    assert b["sem_inter"].upper == pytest.approx(10 * a["sem_inter"].upper, rel=1e-5)
    assert b["icc_agreement"].lower == pytest.approx(a["icc_agreement"].lower, rel=1e-5)


def test_wrong_arguments_are_named():
    table = readings()
    with pytest.raises(ArgumentError, match="does not take that argument"):
        reliability(table, fingers="finger_id")
    with pytest.raises(ArgumentError, match="list of column names"):
        reliability(table, by="pulley")
    with pytest.raises(ArgumentError, match="Something must be told apart"):
        reliability(table, participant=None, finger=None, scan=None)
    with pytest.raises(TableError, match="no column 'hand'"):
        reliability(table, finger="hand")
    with pytest.raises(ArgumentError, match="'scale' takes"):
        reliability(table, scale="ln")


def test_rounded_and_skewed_values_are_told():
    table = readings(participants=40, fingers=1, scans=1, sites=1, raters_a_site=3)
    names = {"site": None, "rater_site": None, "n_boot": 200}
    tenths = table.assign(gap_mm=table["gap_mm"].round(1))
    assert "rounded_values" not in [c.code for c in reliability(table, **names).cautions]
    assert "rounded_values" in [c.code for c in reliability(tenths, **names).cautions]
    tail = np.exp(2 * np.random.default_rng(1).standard_normal(40))
    person = table["participant_id"].str[1:].astype(int)
    skewed = table.assign(gap_mm=table["gap_mm"] + tail[person])
    assert "participants_not_normal" in [c.code for c in reliability(skewed, **names).cautions]


@pytest.mark.parametrize("position", [1, 3, 8, 10, 12])
def test_intervals_hold_in_a_quick_look(position):
    for name, (covered, _) in measure(CELLS[position], 400, seed=1).items():
        assert QUICK[0] < covered < QUICK[1], name


def test_published_coverage_holds_where_the_model_does(repository):
    rows = printed(repository / "docs/methods", "reliability")
    # planted truth: simulated designs, as many tables as the command names
    assert {n_sim for _, n_sim in rows.values()} == {4000}
    disturbed = ("rounded to 0.1 mm", "skewed participants")
    for (design, figure), (share, _) in rows.items():
        if design not in disturbed:
            # planted truth: what lies outside is too wide, is marked there and carries a caution
            assert 93.45 < share < (99.9 if figure.startswith("cv") else 97.5), (design, figure)


def table_of(values):
    """One reading of each scan by each rater, scans of different persons."""
    own = {"subject": "scan_id", "rater": "rater_id", "value": "gap_mm"}
    table = long(values).rename(columns=own)
    return table.assign(participant_id=table["scan_id"])


def test_averaging_reads_is_refused_where_nothing_was_read_twice():
    values = 2 + np.random.default_rng(3).standard_normal((40, 3))
    with pytest.raises(EstimateError, match=r"second reading.*m_reads.*holds subject x rater too"):
        reliability(table_of(values), m_reads=4)
    found = reliability(table_of(values), k_raters=2)
    assert "sem_inter_averaged" in [e.name for e in found]


@pytest.mark.parametrize("shift", [0.0, 0.3])
@pytest.mark.parametrize("ask", [reliability, agreement.rater_effects])
def test_raters_without_error_are_sent_to_what_takes_them(ask, shift):
    x = 2 + np.random.default_rng(0).standard_normal(30)
    with pytest.raises(EstimateError, match=r"no error of reading.*icc and limits_of_agreement"):
        ask(table_of(np.column_stack([x, x + shift])))


def test_draws_that_are_all_zero_give_no_interval():
    wave = np.sin(2.3 * np.arange(12))
    found = reliability(table_of(np.column_stack([2 + 0.1 * wave, 2 - 0.09 * wave])))
    for name in ("icc_agreement", "sd_participant"):
        # by hand: raters disagree where scans differ, so the scans' sum of squares is next to none
        assert found[name].value == 0
        assert np.isnan([found[name].lower, found[name].upper, found[name].level]).all()
    told = {c.code: c.message for c in found.cautions}
    assert "sd_participant" in told["no_interval"]


@pytest.mark.parametrize(("participants", "said"), [(30, True), (60, False)])
def test_few_participants_cannot_show_whether_they_are_skewed(participants, said):
    values = np.random.default_rng(1).standard_normal((participants, 1))
    noise = 0.2 * np.random.default_rng(2).standard_normal((participants, 3))
    found = reliability(table_of(5 + values + noise))
    codes = {c.code for c in found.cautions}
    assert ("normality_unseen" in codes) is said
    assert "participants_not_normal" not in codes


def test_means_among_single_readings_are_met_before_live_and_stored():
    table = readings()
    mode = np.where(np.arange(len(table)) % 2, "live", "stored")
    averaged = np.where(np.arange(len(table)) % 5, 1, 3)
    with pytest.raises(EstimateError, match="reads_averaged == 1"):
        reliability(table.assign(read_mode=mode, reads_averaged=averaged))


def test_agreement_is_not_said_to_be_of_one_site_where_nobody_knows():
    rng = np.random.default_rng(5)
    table = table_of(2 + rng.standard_normal((40, 1)) + 0.2 * rng.standard_normal((40, 4)))
    table["site_id"] = table["scan_id"] % 4
    found = reliability(table)
    assert found["sem_inter"].method.startswith("any rater;")
    known = reliability(table.assign(rater_site_id="S1"))
    assert known["sem_inter"].method.startswith("any rater of the site;")
