"""Reference limits against published data, by hand, and with unseen gaps."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import ArgumentError, EstimateError, TableError
from cohortkit.reference import reference_interval
from cohortkit.reference.interval import value_at_rank

OWN = {"value": "y", "participant": None, "below": None}


def people(values, **more):
    """One row per participant in the format's own columns."""
    n = len(values)
    return pd.DataFrame(
        {
            "participant_id": [f"P{i:04d}" for i in range(n)],
            "gap_mm": np.asarray(values, dtype=float),
            "below_resolution": pd.array([False] * n, dtype="boolean"),
        }
        | more
    )


def unseen(values, hidden, resolution=0.3):
    """The lowest `hidden` participants with a gap too small to be seen."""
    data = people(np.sort(values), resolution_mm=resolution)
    data.loc[: hidden - 1, "gap_mm"] = np.nan
    data.loc[: hidden - 1, "below_resolution"] = True
    return data


def codes(result):
    return {c.code for c in result.cautions}


def triple(estimate):
    return [estimate.value, estimate.lower, estimate.upper]


def gaps(n, seed=1):
    """Invented gaps in mm."""
    return 0.6 + np.random.default_rng(seed).gamma(6, 0.15, n)


CASES = {
    "e02_pima_glu120": ("pima_glu_first120.csv", "y"),
    "e03_pima_glu": ("pima_nondiabetic.csv", "glu"),
    "e03_pima_bp": ("pima_nondiabetic.csv", "bp"),
    "e03_pima_bmi": ("pima_nondiabetic.csv", "bmi"),
}


@pytest.mark.parametrize("case", CASES)
def test_check_values(check_values, case):
    file, column = CASES[case]
    expected = pd.read_csv(check_values / "expected.csv").set_index(["case", "statistic"]).loc[case]
    result = reference_interval(
        pd.read_csv(check_values / "data" / file), **OWN | {"value": column}
    )
    for side, row in zip(("lower", "upper"), result.ranks.itertuples(), strict=True):
        found = result[f"{side}_limit"]
        point = expected.loc[f"np_{side}_type6"]
        assert found.value == pytest.approx(point["value"], abs=point["tolerance"])
        limits = expected.loc[f"np_{side}_ep28_ci90"]
        assert [found.lower, found.upper] == pytest.approx(
            [limits["ci_low"], limits["ci_high"]], abs=limits["tolerance"]
        )
        ranks = expected.loc[f"np_rank_{side}"]
        assert (round(row.rank), row.lower_rank, row.upper_rank) == (
            ranks["value"],
            ranks["ci_low"],
            ranks["ci_high"],
        )
    assert result["lower_limit"].n_participants == expected.loc["n", "value"]


def test_whole_numbers_by_hand():
    # by hand: of 1..119 the ranks are 0.025 * 120 = 3 and 117; limits 1 to 7, 113 to 119
    result = reference_interval(people(range(1, 120)))
    assert triple(result["lower_limit"]) == pytest.approx([3, 1, 7])
    assert triple(result["upper_limit"]) == pytest.approx([117, 113, 119])
    assert codes(result) == {"few_participants"}


def test_ranks_between_neighbours_are_linear():
    # by hand: rank 0.025 * 121 = 3.025 lies a fortieth of the way from 30 to 40
    result = reference_interval(people(np.arange(1, 121) * 10))
    assert result["lower_limit"].value == pytest.approx(30.25)  # by hand: above
    assert codes(result) == set()


@pytest.mark.parametrize("n", [39, 119, 250])
def test_points_agree_with_another_library(n):
    values = gaps(n)
    result = reference_interval(people(values))
    # source: numpy 2, quantile(method="weibull"), the same rule p (n + 1)
    expected = np.quantile(values, [0.025, 0.975], method="weibull")
    assert [e.value for e in result] == pytest.approx(expected.tolist())


def test_one_upper_limit_leaves_the_whole_remainder_above():
    values = gaps(150)
    result = reference_interval(people(values), sides="upper")
    assert [e.name for e in result] == ["upper_limit"]
    # source: numpy 2, quantile(method="weibull")
    assert result["upper_limit"].value == pytest.approx(np.quantile(values, 0.95, method="weibull"))
    two = reference_interval(people(values), coverage=0.9)
    assert triple(result["upper_limit"]) == pytest.approx(triple(two["upper_limit"]))
    lower = reference_interval(people(values), sides="lower")
    assert triple(lower["lower_limit"]) == pytest.approx(triple(two["lower_limit"]))


def test_mirror_shift_and_scale():
    values = np.round(gaps(130) * 8) / 8
    here = reference_interval(people(values))
    mirrored = reference_interval(people(-values))
    assert mirrored["lower_limit"].value == pytest.approx(-here["upper_limit"].value)
    assert mirrored["lower_limit"].upper == -here["upper_limit"].lower
    far = 1e10
    shifted = reference_interval(people(values + far))
    assert np.array(triple(shifted["upper_limit"])) - far == pytest.approx(
        triple(here["upper_limit"]), abs=1e-5
    )
    scaled = reference_interval(people(values * 1000))
    assert np.array(triple(scaled["lower_limit"])) / 1000 == pytest.approx(
        triple(here["lower_limit"])
    )


def test_order_of_rows_changes_nothing():
    data = people(gaps(125))
    shuffled = data.sample(frac=1, random_state=1)
    assert reference_interval(shuffled).to_dict() == reference_interval(data).to_dict()


def test_ties_are_kept():
    result = reference_interval(people(np.round(gaps(200), 1)))
    for estimate in result:
        assert estimate.lower <= estimate.value <= estimate.upper
    constant = reference_interval(people(np.full(130, 1.2)))
    assert triple(constant["upper_limit"]) == [1.2, 1.2, 1.2]
    assert "constant_values" in codes(constant)


@pytest.mark.parametrize(
    ("n", "sides", "needed"), [(0, "two", 39), (3, "two", 39), (38, "two", 39), (18, "upper", 19)]
)
def test_too_few_participants(n, sides, needed):
    with pytest.raises(EstimateError, match=f"at least {needed} are needed"):
        reference_interval(people(gaps(n)), sides=sides)


def test_fewest_participants_have_an_open_interval():
    result = reference_interval(people(gaps(39)))
    assert result["lower_limit"].lower == -math.inf
    assert result["upper_limit"].upper == math.inf
    assert {"few_participants", "open_interval"} <= codes(result)
    one_sided = reference_interval(people(gaps(59)), sides="upper")
    assert math.isfinite(one_sided["upper_limit"].upper)
    assert "open_interval" not in codes(one_sided)


def test_several_fingers_of_one_participant_are_refused():
    data = people(gaps(130))
    data.loc[1, "participant_id"] = "P0000"
    with pytest.raises(EstimateError, match="1 of 129 participants have up to 2") as stop:
        reference_interval(data)
    assert "reference_population" in str(stop.value)
    assert reference_interval(data, participant=None)["upper_limit"].n_participants == 130


def test_unseen_gaps_hold_the_lowest_ranks():
    values = np.arange(1, 121) / 10 + 0.3
    few, seen = reference_interval(unseen(values, 2)), reference_interval(people(values))
    assert few["lower_limit"].value == pytest.approx(seen["lower_limit"].value)
    assert few["lower_limit"].lower == -math.inf
    assert few["lower_limit"].upper == seen["lower_limit"].upper
    assert triple(few["upper_limit"]) == triple(seen["upper_limit"])
    assert "below_resolution" in codes(few)
    assert few["lower_limit"].n_participants == 120


def test_a_limit_among_unseen_gaps_is_no_number():
    result = reference_interval(unseen(np.arange(1, 121) / 10 + 0.3, 5))
    assert math.isnan(result["lower_limit"].value)
    # by hand: rank 7 is seen, 0.7 + 0.3
    assert result["lower_limit"].upper == pytest.approx(1.0)
    message = next(c.message for c in result.cautions if c.code == "limit_below_resolution")
    assert "lies below 0.3 mm" in message
    assert math.isfinite(result["upper_limit"].value)


def test_an_unseen_gap_of_a_coarse_device_blurs_the_order_below_its_limit():
    data = people(np.arange(1, 121) / 10 + 0.3, resolution_mm=0.3)
    data.loc[60, ["gap_mm", "below_resolution", "resolution_mm"]] = [np.nan, True, 0.8]
    result = reference_interval(data)
    # by hand: one unseen below 0.8, so the seen 0.4 and 0.5 at ranks 2 and 3 may be ranks 1 and 2
    assert math.isnan(result["lower_limit"].value)
    assert result["lower_limit"].lower == -math.inf
    assert result["lower_limit"].upper == pytest.approx(0.9)


def test_every_gap_unseen():
    result = reference_interval(unseen(gaps(120), 120))
    assert all(math.isnan(e.value) for e in result)
    # by hand: all that is known is that both lie below 0.3
    assert [e.upper for e in result] == pytest.approx([0.3, math.inf][:1] * 2)
    without = reference_interval(unseen(gaps(120), 120).drop(columns="resolution_mm"))
    assert "below the resolution" in next(
        c.message for c in without.cautions if c.code == "limit_below_resolution"
    )


def test_dropping_unseen_gaps_would_raise_the_lower_limit():
    data = unseen(np.arange(1, 241) / 100 + 0.3, 10)
    honest = reference_interval(data)
    careless = reference_interval(data[~data["below_resolution"]])
    assert careless["lower_limit"].value > honest["lower_limit"].upper - 0.1
    assert math.isnan(honest["lower_limit"].value)


def test_a_mark_with_a_number_is_a_fault_of_the_table():
    data = unseen(gaps(130), 3)
    data.loc[0, "gap_mm"] = 0.2
    with pytest.raises(TableError, match="marked as too small"):
        reference_interval(data)


def test_marks_must_be_yes_or_no():
    data = people(gaps(130)).astype({"below_resolution": object})
    data.loc[0, "below_resolution"] = "maybe"
    with pytest.raises(TableError, match="yes or no"):
        reference_interval(data)


def test_missing_values_stop_and_are_counted_when_dropped():
    data = people(gaps(130))
    data.loc[[3, 4], "gap_mm"] = np.nan
    with pytest.raises(TableError, match=r"value \(2\)"):
        reference_interval(data)
    result = reference_interval(data, missing="drop")
    assert result["upper_limit"].n_participants == 128
    assert next(c.message for c in result.cautions if c.code == "left_out").endswith("left out: 2.")


def test_all_missing():
    data = people(np.full(130, np.nan))
    with pytest.raises(TableError, match=r"value \(130\)"):
        reference_interval(data)
    with pytest.raises(EstimateError, match="0 participants"):
        reference_interval(data, missing="drop")


def test_absent_mark_is_not_guessed():
    with pytest.raises(TableError, match="below=None"):
        reference_interval(people(gaps(130)).drop(columns="below_resolution"))


@pytest.mark.parametrize("column", ["pulley", "load", "reference_structure"])
def test_different_quantities_are_never_pooled_unasked(column):
    data = people(gaps(130)).assign(**{column: np.resize(["x", "y"], 130)})
    with pytest.raises(EstimateError, match=f"column '{column}'"):
        reference_interval(data)


def test_a_value_in_other_units_stands_alone():
    values = gaps(130)
    assert "lone_extreme" not in codes(reference_interval(people(values)))
    values[7] *= 10
    result = reference_interval(people(values))
    assert "lone_extreme" in codes(result)
    assert result["upper_limit"].n_participants == 130


def test_arguments_are_checked():
    data = people(gaps(130))
    with pytest.raises(ArgumentError, match="'two', 'upper' or 'lower'"):
        reference_interval(data, sides="both")
    with pytest.raises(ArgumentError, match="coverage"):
        reference_interval(data, coverage=95)


def test_result_carries_counts_and_settings():
    data = people(gaps(130), finger_id=[f"f{i}" for i in range(130)])
    result = reference_interval(data)
    upper = result["upper_limit"]
    assert (upper.n_participants, upper.n_fingers, upper.n_readings) == (130, 130, 130)
    assert (upper.unit, upper.level) == ("mm", 0.90)
    assert reference_interval(data, **result.settings).to_dict() == result.to_dict()
    assert json.loads(json.dumps(result.to_dict()["settings"]))["sides"] == "two"


def test_value_at_rank_outside_the_sample_is_open():
    values = np.array([1.0, 2.0])
    assert value_at_rank(values, 0) == -math.inf
    assert value_at_rank(values, 3) == math.inf
    assert value_at_rank(values, 1.5) == pytest.approx(1.5)
