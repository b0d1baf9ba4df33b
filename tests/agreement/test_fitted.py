"""Live and stored readings put together: which says what, what stops, and coverage."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import decision_study, reliability
from cohortkit.errors import EstimateError
from tests.agreement.paired import codes
from tests.agreement.simulated_modes import CELLS, USUAL, Clinics, layout, measure, responses
from tests.covered import printed

NAMES = {
    "value": "value", "participant": "participant", "finger": "finger", "scan": "scan",
    "rater": "rater", "site": "site", "rater_site": "rater_site", "n_boot": 400,
}  # fmt: skip
ONE_A_SITE = Clinics("one rater a site reads the clips")
TWO_A_SITE = Clinics("two read them", stored_raters=2)


def table(c: Clinics, seed: int = 3) -> pd.DataFrame:
    rows = layout(c)
    modes = np.where(rows["stored"] == 1, "stored", "live")
    return rows.assign(value=responses(c, rows, 1, seed)[:, 0], read_mode=modes)


def of_mode(data, mode):
    return data[data["read_mode"] == mode]


def variances(result):
    return result.components.set_index("component")["variance"]


@pytest.mark.parametrize("c", [ONE_A_SITE, TWO_A_SITE], ids=lambda c: c.name)
def test_raters_are_those_of_the_clips_and_everything_else_is_live(c):
    both = reliability(table(c), **NAMES)
    live, stored = (reliability(of_mode(table(c), m), **NAMES) for m in ("live", "stored"))
    shown, of_live, of_stored = (variances(r) for r in (both, live, stored))
    for name in ("participant", "finger", "residual"):
        # by hand: taken over unchanged
        assert shown[name] == of_live[name]
        assert both.draws[name].equals(live.draws[name])
    for name in [n for n in ("rater", "rater_site") if n in of_stored]:
        assert shown[name] == of_stored[name]
    assert ("sem_inter" in [e.name for e in both]) == (c is TWO_A_SITE)
    assert both["sem_inter_new_site"].n_readings == len(table(c))
    assert both["sem_intra"].value == live["sem_intra"].value
    assert {"modes_put_together"} <= codes(both)
    assert "scanning_error_partly_missing" not in codes(both)


def test_the_error_of_a_live_reading_by_a_rater_of_another_site_is_the_planted_one():
    # planted truth: root of rater of site, rater, finger x rater, picture and calipers
    planted = np.sqrt(
        sum(v for n, v in USUAL.items() if n not in ("site", "participant", "finger"))
    )
    large = Clinics("many sites", sites=24, raters=2, stored_raters=1, clips=3, pair_sites=24)
    found = reliability(table(large), **NAMES)["sem_inter_new_site"]
    assert found.value == pytest.approx(planted, rel=0.08)
    assert found.lower < planted < found.upper
    pooled = reliability(table(large).drop(columns="read_mode"), **NAMES)["sem_inter_new_site"]
    # planted truth: one residual for both kinds, as without the column, misses part of the error
    assert pooled.value < found.value


def test_the_site_of_scans_is_rid_of_what_its_raters_have_in_common():
    both = reliability(table(TWO_A_SITE), **NAMES)
    live = reliability(of_mode(table(TWO_A_SITE), "live"), **NAMES)
    shown = variances(both)
    # by hand: at its own site a rater's site is the scan's site
    assert shown["site"] == pytest.approx(max(variances(live)["site"] - shown["rater_site"], 0))


def test_raters_judging_single_scans_is_held_to_what_the_clips_leave():
    data = table(ONE_A_SITE)
    live, stored = (variances(reliability(of_mode(data, m), **NAMES)) for m in ("live", "stored"))
    wild = data.copy()
    second = of_mode(wild, "live").groupby(["scan", "rater"]).cumcount() == 0
    met = of_mode(wild, "live").groupby("scan")["rater"].transform("nunique") > 1
    shaken = second.index[second & met]
    wild.loc[shaken, "value"] += np.resize([0.6, -0.6], len(shaken))
    found = variances(reliability(wild, **NAMES))
    assert (
        variances(reliability(of_mode(wild, "live"), **NAMES))["subject_rater"] > stored["residual"]
    )
    assert found["subject_rater"] == stored["residual"]
    assert variances(reliability(data, **NAMES))["subject_rater"] == pytest.approx(
        min(live["subject_rater"], stored["residual"])
    )


def test_clips_read_twice_say_themselves_how_raters_judge_single_scans():
    data = table(ONE_A_SITE)
    again = of_mode(data, "stored")
    again = again.assign(value=again["value"] + np.resize([0.05, -0.05, 0.02], len(again)))
    twice = pd.concat([data, again], ignore_index=True)
    stored = variances(reliability(of_mode(twice, "stored"), **NAMES))
    assert variances(reliability(twice, **NAMES))["subject_rater"] == stored["subject_rater"]


def test_a_decision_study_counts_pictures_as_error_that_averages_out():
    study = decision_study(reliability(table(ONE_A_SITE), **NAMES), kind="new_site")
    live = variances(reliability(of_mode(table(ONE_A_SITE), "live"), **NAMES))
    gain = study["sem@raters=1; reads=1"].value ** 2 - study["sem@raters=1; reads=3"].value ** 2
    # by hand: the residual of live readings, less its third
    assert gain == pytest.approx(live["residual"] * 2 / 3)


def test_rows_that_do_not_say_their_mode_stop():
    data = table(ONE_A_SITE).copy()
    data.loc[data.index[:3], "read_mode"] = None
    with pytest.raises(EstimateError, match=r"column 'read_mode'.*3 of"):
        reliability(data, **NAMES)


@pytest.mark.parametrize(
    ("mode", "keep", "why"),
    [
        ("stored", lambda d: d["rater"] == 0, "stored clips: "),
        ("live", lambda d: ~d.duplicated(["scan", "read_mode"]), "live readings: "),
    ],
)
def test_kinds_that_cannot_be_put_together_stop_with_the_way_out(mode, keep, why):
    data = table(ONE_A_SITE)
    with pytest.raises(EstimateError, match="cannot be put together") as stop:
        reliability(data[(data["read_mode"] != mode) | keep(data)], **NAMES)
    assert why in str(stop.value)
    assert "by=['read_mode']" in str(stop.value)


def test_each_kind_apart_by_name():
    parts = reliability(table(ONE_A_SITE), by=["read_mode"], **NAMES).parts
    assert set(parts) == {"read_mode=live", "read_mode=stored"}
    assert all("modes_put_together" not in codes(p) for p in parts.values())


def test_bootstrap_draws_of_both_kinds_are_put_together_too():
    small = Clinics("small", sites=3, participants=12, pairs=10, clips=4)
    found = reliability(table(small), **NAMES | {"n_boot": 100}, intervals="bootstrap")
    error = found["sem_inter_new_site"]
    assert error.lower <= error.value <= error.upper


@pytest.mark.parametrize("position", [0, 2, 5, 8])
def test_intervals_hold_in_a_quick_look(position):
    for name, (covered, _) in measure(CELLS[position], 400, seed=1).items():
        # by hand: 400 runs of a true 95 %, band of 4 standard errors, open upwards
        assert covered > 0.906, name


def test_published_coverage_is_what_the_caution_says(repository):
    rows = printed(repository / "docs/methods", "live_and_stored")
    # planted truth: simulated designs, as many tables as the command names
    assert {n_sim for _, n_sim in rows.values()} == {4000}
    for (design, figure), (share, _) in rows.items():
        # planted truth: the caution says 94 to 98 %
        assert 93.95 < share < 98.5, (design, figure)
