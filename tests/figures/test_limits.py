import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import (
    limits_clustered,
    limits_of_agreement,
    limits_ratio,
    limits_regression,
    limits_replicates,
    limits_with_mean,
)
from cohortkit.display import number
from cohortkit.figures import agreement, limits, marks
from tests.figures import results


def readings(n, seed=3, raters=2, reads=1, fingers=1):
    """Invented readings whose error grows with the gap."""
    rng = np.random.default_rng(seed)
    rows = [
        {
            "participant_id": f"p{i}",
            "scan_id": f"p{i} finger {f}",
            "rater_id": f"rater-{r}",
            "read_no": k + 1,
            "gap_mm": gap + rng.normal(0, 0.1 * gap),
        }
        for i in range(n)
        for f in range(fingers)
        for gap in [rng.uniform(0.8, 5)]
        for r in range(raters)
        for k in range(reads)
    ]
    return pd.DataFrame(rows)


def every_kind(n):
    """All kinds of limits that `n` participants allow."""
    two = readings(n)
    kinds = {
        "plain": limits_of_agreement(two),
        "clustered": limits_clustered(readings(n, fingers=2)),
        "ratio": limits_ratio(two),
        "mean of all": limits_with_mean(readings(n, raters=4)),
        "repeats": limits_replicates(readings(n, reads=2)),
        "changing repeats": limits_replicates(readings(n, reads=2), truth="varying"),
    }
    if n > 3:
        kinds["lines, spread changing"] = limits_regression(two, n_boot=200)
        kinds["lines, spread constant"] = limits_regression(two, spread="constant")
    return kinds


@pytest.fixture(scope="module")
def kinds():
    return every_kind(40)


@pytest.mark.parametrize("n", [3, 40])
def test_every_kind_is_drawn_with_nothing_clipped_or_overprinted(n):
    for name, result in every_kind(n).items():
        figure = agreement.draw(agreement.source({name: (result, None)}))
        assert results.outside(figure) == [], name
        assert results.overlaps(figure) == [], name
        assert "upper limit" in results.all_text(figure)
        assert results.smallest_font(figure) >= 6


def test_all_kinds_side_by_side(kinds):
    some = {name: (result, None) for name, result in list(kinds.items())[:6]}
    figure = agreement.draw(agreement.source(some), ["Caution. few pairs"])
    assert len(figure.axes) == 6
    assert results.outside(figure) == []
    assert results.overlaps(figure) == []


def test_the_three_labels_of_equal_readings_do_not_overprint():
    two = readings(3)
    same = two.assign(gap_mm=two.groupby("scan_id")["gap_mm"].transform("first"))
    for result in (limits_of_agreement(same), limits_ratio(same)):
        figure = agreement.draw(agreement.source({"A2": (result, None)}))
        assert results.overlaps(figure) == []


def test_ratio_limits_stand_on_the_ratio_scale(kinds):
    result = kinds["ratio"]
    rows = marks.frame(limits.rows("A2", result))
    pairs = marks.pick(rows, mark="pair")
    # by hand: exp of the logarithms kept in the result
    assert sorted(pairs["y"]) == pytest.approx(sorted(np.exp(result.pairs["difference"])))
    assert sorted(pairs["x"]) == pytest.approx(sorted(np.exp(result.pairs["mean"])))
    assert marks.pick(rows, mark="upper_limit")["x"].iloc[0] == result["ratio_upper_limit"].value
    figure = agreement.draw(agreement.source({"A2": (result, None)}))
    axes = figure.axes[0]
    assert (axes.get_xscale(), axes.get_yscale()) == ("log", "log")
    assert "ratio" in axes.get_ylabel()
    assert "mean ratio" in results.all_text(figure)


def test_sloping_limits_are_the_lines_of_the_result(kinds):
    result = kinds["lines, spread changing"]
    rows = marks.frame(limits.rows("A2", result))
    line = marks.pick(rows, mark="upper_limit_line").reset_index(drop=True)
    for column, name in (("x", "mean"), ("y", "upper_limit"), ("lower", "upper_limit_low"),
                         ("upper", "upper_limit_high")):  # fmt: skip
        assert list(line[column]) == list(result.curve[name])
    at = marks.pick(rows, mark="bias_at")
    assert list(at["y"]) == [e.value for e in result if e.name == "bias"]
    text = results.all_text(agreement.draw(agreement.source({"A2": (result, None)})))
    end = result.curve.iloc[-1]
    assert (
        f"upper limit, {number(end['mean'], 'mm')} mm\n{number(end['upper_limit'], 'mm')}" in text
    )
    assert "n: 40 participants, 80 readings" in text


def test_the_axis_says_what_the_points_are(kinds):
    said = {
        "repeats": "difference of raters' means (mm)",
        "changing repeats": "difference (mm)",
        "mean of all": "reading minus that mean (mm)",
        "clustered": "difference (mm)",
    }
    for name, words in said.items():
        figure = agreement.draw(agreement.source({"A2": (kinds[name], None)}))
        assert figure.axes[0].get_ylabel() == words


def test_points_carry_no_id(kinds):
    for result in kinds.values():
        text = marks.frame(limits.rows("A2", result)).astype("string")
        assert not text.apply(lambda c: c.str.contains("rater-|finger|p1")).any(axis=None)


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ([0.9, 0.5, 0.1], [0.9, 0.5, 0.1]),  # by hand: already apart
        ([0.5, 0.5, 0.5], [0.7, 0.5, 0.3]),  # by hand: spread about the line, 0.2 each way
        ([1.0, 1.0], [1.0, 0.8]),  # by hand: not above the panel
        ([0.0, 0.0], [0.2, 0.0]),  # by hand: not below the panel
        ([], []),
    ],
)
def test_labels_are_moved_as_little_as_needed(wanted, expected):
    assert limits.apart(wanted, 0.2) == pytest.approx(expected)
