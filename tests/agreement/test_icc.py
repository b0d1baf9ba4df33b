"""ICC, SEM and SDC against published tables, other libraries and themselves."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pingouin
import pytest

from cohortkit.agreement import icc
from cohortkit.errors import ArgumentError, EstimateError
from tests.agreement.reads import ONE_WAY, OWN, clinic_reads, invented, long

NAMES = ["icc_1_1", "icc_a_1", "icc_c_1", "icc_1_k", "icc_a_k", "icc_c_k"]
ERRORS = ["sem_agreement", "sem_consistency", "sdc_agreement", "sdc_consistency"]


@pytest.fixture
def shrout_fleiss(repository):
    return json.loads((repository / "tests/oracles/shrout_fleiss_1979.json").read_text())


def triple(estimate):
    return [estimate.value, estimate.lower, estimate.upper]


def codes(result):
    return {c.code for c in result.cautions}


def test_shrout_and_fleiss(shrout_fleiss):
    result = icc(long(shrout_fleiss["ratings"]), interval="f", **OWN)
    for name in NAMES:
        assert triple(result[name]) == pytest.approx(shrout_fleiss["expected"][name], abs=1e-8)
        assert round(result[name].value, 2) == shrout_fleiss["printed"][name]
    for name in ERRORS:
        assert result[name].value == pytest.approx(shrout_fleiss["errors"][name], abs=6e-5)


CHECKED = {
    "icc_1_1": "icc_1_1",
    "icc_2_1_A1": "icc_a_1",
    "icc_3_1_C1": "icc_c_1",
    "icc_1_k": "icc_1_k",
    "icc_2_k_Ak": "icc_a_k",
    "icc_3_k_Ck": "icc_c_k",
    "sem_agreement": "sem_agreement",
    "sem_consistency": "sem_consistency",
    "mdc95_agreement": "sdc_agreement",
    "mdc95_consistency": "sdc_consistency",
}


@pytest.mark.parametrize("case", ["a01_shrout_fleiss", "a02_anxiety"])
def test_check_values(check_values, case):
    expected = pd.read_csv(check_values / "expected.csv").set_index(["case", "statistic"]).loc[case]
    data = pd.read_csv(check_values / "data" / f"{case.split('_', 1)[1]}.csv")
    reads = data.melt("subject", var_name="rater", value_name="value")
    result = icc(reads, interval="f", **OWN)
    one_way = icc(reads, **ONE_WAY)
    assert expected.loc["msr", "value"] == pytest.approx(result.anova["mean_square"].iloc[0])
    for statistic, name in CHECKED.items():
        row = expected.loc[statistic]
        assert result[name].value == pytest.approx(row["value"], abs=row["tolerance"])
        if name.startswith("icc"):
            limits = [result[name].lower, result[name].upper]
            assert limits == pytest.approx([row["ci_low"], row["ci_high"]], abs=row["tolerance"])
    row = expected.loc["sem_oneway"]
    assert one_way["sem_oneway"].value == pytest.approx(row["value"], abs=row["tolerance"])


# the judge itself uses calls that pandas 3 deprecates
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::FutureWarning")
@pytest.mark.parametrize("seed", range(12))
def test_another_library_agrees_on_random_tables(seed):
    rng = np.random.default_rng(seed)
    shape = {
        "subject": rng.uniform(0.1, 2),
        "rater": rng.uniform(0, 1),
        "error": rng.uniform(0.1, 1),
    }
    reads = long(invented(int(rng.integers(5, 40)), int(rng.integers(2, 7)), **shape, seed=seed))
    result = icc(reads, interval="f", **OWN)
    # source: pingouin 0.7, intraclass_corr; it rounds its limits to two decimals
    judge = pingouin.intraclass_corr(reads, targets="subject", raters="rater", ratings="value")
    assert [result[n].value for n in NAMES] == pytest.approx(judge["ICC"].tolist(), abs=1e-9)
    limits = [[result[n].lower, result[n].upper] for n in NAMES]
    assert np.abs(np.array(limits) - np.stack(judge["CI95"])).max() <= 0.005 + 1e-9


def test_generalised_interval_is_the_default_and_only_moves_agreement():
    reads = long(invented())
    generalised, usual = icc(reads, **OWN), icc(reads, interval="f", **OWN)
    for name in NAMES:
        same = triple(generalised[name]) == triple(usual[name])
        assert same == (name not in {"icc_a_1", "icc_a_k"})
    assert generalised.settings["interval"] == "generalised"
    assert "f_interval_too_narrow" in codes(usual) - codes(generalised)


def test_smallest_change_is_a_multiple_of_the_error():
    result = icc(long(invented()), **OWN)
    for kind in ("agreement", "consistency"):
        sem, sdc = result[f"sem_{kind}"], result[f"sdc_{kind}"]
        # by hand: 1.96 * sqrt(2) = 2.7718, limits scale alike
        assert np.array(triple(sdc)) / triple(sem) == pytest.approx([2.7718] * 3, abs=1e-4)


def test_error_of_a_fifth_of_a_millimetre():
    # source: by hand, 1.96 * sqrt(2) * 0.20 = 0.5544 (Weir 2005 for the formula)
    pairs = np.array([[1.0, 1.0 + 0.2 * math.sqrt(2)], [2.0, 2.0 + 0.2 * math.sqrt(2)]])
    result = icc(long(np.vstack([pairs, pairs[:, ::-1] + 5])), **ONE_WAY)
    assert result["sem_oneway"].value == pytest.approx(0.2)
    assert result["sdc_oneway"].value == pytest.approx(0.5544, abs=1e-4)  # by hand: above


def test_one_way_form_has_its_own_names_and_equals_the_one_way_form_of_a_crossed_table():
    reads = long(invented())
    one_way, crossed = icc(reads, **ONE_WAY), icc(reads, **OWN)
    assert [e.name for e in one_way] == ["icc_1_1", "icc_1_k", "sem_oneway", "sdc_oneway"]
    assert triple(one_way["icc_1_k"]) == pytest.approx(triple(crossed["icc_1_k"]))
    assert one_way.anova["source"].tolist() == ["subjects", "within"]


def test_result_carries_counts_unit_and_settings():
    data = clinic_reads()
    result = icc(data[data["site_id"] == "S01"])
    for estimate in result:
        counts = (estimate.n_participants, estimate.n_fingers, estimate.n_readings)
        assert counts == (4, 4, 8)
        assert estimate.unit == ("1" if estimate.name.startswith("icc") else "mm")
    again = icc(data[data["site_id"] == "S01"], **result.settings)
    assert again.to_dict() == result.to_dict()
    assert json.loads(json.dumps(result.to_dict()))["settings"]["value"] == "gap_mm"


@pytest.mark.parametrize("scale", [1e-6, 0.5, 1e6])
def test_scaling_the_values_scales_the_errors_only(scale):
    values = invented()
    here, there = icc(long(values), **OWN), icc(long(values * scale), **OWN)
    for name in NAMES:
        assert triple(there[name]) == pytest.approx(triple(here[name]), rel=1e-7, abs=1e-9)
    for name in ERRORS:
        assert np.array(triple(there[name])) / scale == pytest.approx(triple(here[name]), rel=1e-7)


def test_shifting_the_values_changes_nothing():
    eighths = np.round(invented() * 8) / 8
    here, there = icc(long(eighths), **OWN), icc(long(eighths + 1e10), **OWN)
    for name in NAMES + ERRORS:
        assert triple(there[name]) == pytest.approx(triple(here[name]), rel=1e-9)


def test_order_of_rows_and_names_of_raters_change_nothing():
    reads = long(invented())
    shuffled = reads.sample(frac=1, random_state=1)
    renamed = reads.assign(rater=reads["rater"].map({"r0": "z", "r1": "a", "r2": "m"}))
    for other in (shuffled, renamed):
        assert [triple(e) for e in icc(other, **OWN)] == [
            pytest.approx(triple(e), rel=1e-9) for e in icc(reads, **OWN)
        ]


def test_a_form_that_is_undefined_has_no_interval():
    seen = 0
    for seed in range(20):
        result = icc(long(invented(2, 3, subject=0.1, rater=0.0, error=1, seed=seed)), **OWN)
        for estimate in result:
            if np.isnan(estimate.value):
                seen += 1
                assert np.isnan(estimate.lower)
                assert np.isnan(estimate.upper)
    assert seen > 0


def test_a_shifted_rater_lowers_agreement_and_leaves_consistency():
    values = invented(rater=0.0)
    shifted = values + np.array([0.0, 0.0, 2.0])
    before, after = icc(long(values), **OWN), icc(long(shifted), **OWN)
    assert after["icc_a_1"].value < before["icc_a_1"].value
    assert after["sem_agreement"].value > before["sem_agreement"].value
    assert after["icc_c_1"].value == pytest.approx(before["icc_c_1"].value)


def test_mixing_groups_with_other_means_raises_the_icc_but_not_the_error():
    intact, torn = invented(15, seed=1), invented(15, seed=2) + 3
    shares = [icc(long(v), **OWN)["icc_c_1"].value for v in (intact, torn)]
    mixed = icc(long(np.vstack([intact, torn])), **OWN)
    assert mixed["icc_c_1"].value > max(shares)
    errors = [icc(long(v), **OWN)["sem_consistency"].value for v in (intact, torn)]
    assert mixed["sem_consistency"].value < max(errors) * 1.2


def test_perfect_agreement():
    result = icc(long(np.repeat([[1.1], [2.3], [3.2]], 3, axis=1)), **OWN)
    assert [result[n].value for n in NAMES] == [1.0] * 6
    assert [result[n].value for n in ERRORS] == [0.0] * 4
    assert all(math.isnan(e.lower) and math.isnan(e.upper) for e in result)
    assert "no_disagreement_seen" in codes(result)


def test_constant_values_give_a_reason_not_a_number():
    result = icc(long(np.full((5, 3), 0.1)), **OWN)
    assert all(math.isnan(result[n].value) for n in NAMES)
    assert "constant_values" in codes(result)
    assert "undefined_form" not in codes(result)


def test_raters_that_differ_by_a_constant():
    result = icc(long(np.array([[1.0], [2.0], [4.0]]) + np.array([0.0, 0.5, 1.0])), **OWN)
    assert result["icc_c_1"].value == 1
    assert math.isnan(result["icc_c_1"].lower)
    assert 0 < result["icc_a_1"].lower < result["icc_a_1"].value < result["icc_a_1"].upper < 1
    assert result["sem_agreement"].lower > 0
    assert "raters_differ_by_a_constant" in codes(result)


def test_subjects_with_one_mean():
    result = icc(long([[1.0, 2.0], [2.0, 1.0], [1.5, 1.5]]), **OWN)
    # by hand: the consistency form is -1 / (k - 1) where subjects do not differ
    assert result["icc_c_1"].value == pytest.approx(-1.0)
    assert math.isnan(result["icc_c_1"].lower)
    assert {"no_subject_variance", "negative_estimate"} <= codes(result)


def test_negative_estimate_is_shown_and_explained():
    result = icc(long([[1.0, 5.0], [5.0, 1.0], [2.0, 4.5], [4.0, 1.0]]), **OWN)
    # by hand: row means 3, 3, 3.25, 2.5, so subjects differ far less than reads of one subject
    assert result["icc_c_1"].lower < result["icc_c_1"].value < result["icc_c_1"].upper
    assert result["icc_a_1"].value < 0
    assert -1 < result["icc_a_1"].lower < result["icc_a_1"].upper
    message = next(c.message for c in result.cautions if c.code == "negative_estimate")
    assert "outside" in message


@pytest.mark.parametrize(("n", "k"), [(2, 2), (2, 5), (3, 2)])
def test_smallest_tables_have_wide_intervals(n, k):
    result = icc(long(invented(n, k, seed=4)), **OWN)
    for name in ("icc_a_1", "icc_c_1"):
        assert -1 / (k - 1) <= result[name].lower < result[name].upper <= 1
    assert result["sem_agreement"].upper > 2 * result["sem_agreement"].value


@pytest.mark.parametrize(
    ("n", "k", "expected"),
    [
        (50, 6, {"one_way_on_crossed_raters"}),
        (49, 6, {"one_way_on_crossed_raters", "normality_unseen"}),
        (50, 4, {"one_way_on_crossed_raters", "few_raters"}),
        (29, 6, {"one_way_on_crossed_raters", "few_participants", "normality_unseen"}),
    ],
)
def test_few_raters_and_few_participants(n, k, expected):
    assert codes(icc(long(invented(n, k, rater=0, seed=3)), **OWN)) == expected


def test_one_way_forms_of_crossed_raters_carry_a_caution():
    differing, alike = invented(rater=1.0), invented(rater=0.0)
    alike = alike - alike.mean(axis=0) + [0.0, 0.01, -0.01]  # few raters seldom show it
    assert "one_way_on_crossed_raters" in codes(icc(long(differing), **OWN))
    assert "one_way_on_crossed_raters" in codes(icc(long(alike), **OWN))
    same = np.repeat(differing[:, :1], 3, axis=1)  # no interval, so none that fails
    assert "one_way_on_crossed_raters" not in codes(icc(long(same), **OWN))
    assert "one_way_on_crossed_raters" not in codes(icc(long(differing), **ONE_WAY))


def test_estimates_are_plain_floats():
    for found in (icc(long(invented()), **OWN), icc(long(invented()), **ONE_WAY)):
        assert {type(x) for e in found for x in (e.value, e.lower, e.upper)} == {float}


def test_few_participants_names_its_source():
    result = icc(long(invented(10, 6)), **OWN)
    message = next(c.message for c in result.cautions if c.code == "few_participants")
    assert "Koo & Li 2016" in message


@pytest.mark.parametrize("level", [0, 1, 95])
def test_level_is_a_share(level):
    with pytest.raises(ArgumentError, match="level"):
        icc(long(invented()), level=level, **OWN)


def test_unknown_interval_lists_the_known():
    with pytest.raises(ArgumentError, match="'generalised' or 'f'"):
        icc(long(invented()), interval="bootstrap", **OWN)


def test_a_table_of_the_format_needs_no_column_name():
    data = clinic_reads()
    named = icc(data[data["site_id"] == "S02"])
    assert named["icc_a_1"].n_readings == 8
    with pytest.raises(EstimateError, match="do not cross"):
        icc(data)


def test_skewed_subjects_are_said():
    skewed = np.random.default_rng(1).exponential(1.0, (60, 1)) + invented(60, 5, subject=0)
    assert "subjects_not_normal" in codes(icc(long(skewed), **OWN))
    assert "subjects_not_normal" not in codes(icc(long(invented(60, 5)), **OWN))


def test_few_skewed_subjects_carry_one_caution_or_the_other():
    """Whether or not the data at hand show it: a check of 15 subjects finds little."""
    rng = np.random.default_rng(2)
    told = []
    for _ in range(40):
        skewed = 0.35 * rng.exponential(1.0, (15, 1)) + 0.14 * rng.standard_normal((15, 3))
        found = codes(icc(long(skewed), **OWN))
        told.append(found & {"subjects_not_normal", "normality_unseen"})
    assert all(len(one) == 1 for one in told)
    assert {"subjects_not_normal"} in told
    assert {"normality_unseen"} in told


def test_equal_means_are_not_said_to_be_skewed():
    values = np.tile([[1.0, 2.0], [2.0, 1.0]], (6, 1))
    assert "normality_unseen" not in codes(icc(long(values), **OWN))


@pytest.mark.long
@pytest.mark.parametrize(("n", "seen"), [(15, 0.30), (30, 0.70), (50, 0.93)])
def test_how_often_the_check_sees_skewness(n, seen):
    rng, found = np.random.default_rng(1), 0
    for _ in range(1000):
        subjects = math.sqrt(0.12) * rng.exponential(1.0, (n, 1))
        values = subjects + math.sqrt(0.02) * rng.standard_normal((n, 3))
        found += "subjects_not_normal" in codes(icc(long(values), **OWN))
    # simulated: the caution's own figures; band of four standard errors of 1,000 tables
    assert found / 1000 == pytest.approx(seen, abs=4 * math.sqrt(seen * (1 - seen) / 1000))


def test_raters_alike_by_chance_put_agreement_above_consistency():
    # Two raters with the same mean: MSC is 0, below MSE.
    table = np.array([[1.0, 1.2], [2.1, 1.9], [3.0, 3.2], [4.1, 3.9]])
    result = icc(long(table), **OWN)
    mean_squares = result.anova.set_index("source")["mean_square"]
    assert mean_squares["raters"] == pytest.approx(0, abs=1e-12)
    assert result["icc_a_1"].value > result["icc_c_1"].value
    # by hand: sqrt(max(0, (0 - MSE) / n) + MSE) is sqrt(MSE)
    assert result["sem_agreement"].value == pytest.approx(result["sem_consistency"].value)
    assert result["sem_agreement"].value == pytest.approx(math.sqrt(mean_squares["error"]))


def test_upper_limits_and_errors_of_agreement_and_consistency_keep_their_order():
    for seed in range(40):
        result = icc(long(invented(30, 3, rater=0.0, seed=seed)), **OWN)
        agreement, consistency = result["icc_a_1"], result["icc_c_1"]
        assert agreement.lower <= consistency.lower
        assert agreement.upper <= consistency.upper
        larger, smaller = result["sem_agreement"], result["sem_consistency"]
        assert smaller.value <= larger.value + 1e-12
        assert smaller.lower <= larger.lower + 1e-12
        assert smaller.upper <= larger.upper + 1e-12


def test_values_in_coarse_steps_are_said():
    fine = invented()
    assert "rounded_values" not in codes(icc(long(fine), **OWN))
    error = np.sqrt(icc(long(fine), **OWN).anova["mean_square"].iloc[2])
    assert "rounded_values" in codes(icc(long(np.round(fine / error) * error), **OWN))
