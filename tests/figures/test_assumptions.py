import pandas as pd
import pytest

from cohortkit.agreement import (
    limit_assumptions,
    limits_of_agreement,
    limits_ratio,
    limits_regression,
    limits_with_mean,
)
from cohortkit.display import number
from cohortkit.errors import ArgumentError
from cohortkit.figures import assumptions, marks
from tests.figures import results
from tests.figures.test_limits import readings

WHY = "Not estimated. The raters do not cross."


@pytest.fixture(scope="module")
def found():
    return limit_assumptions(limits_of_agreement(readings(40)))


@pytest.fixture(scope="module")
def source(found):
    return assumptions.source({"A2 loaded, uninjured": found, "A2 loaded, injured": WHY})


def test_source_holds_points_lines_band_and_checks(found, source):
    spread = marks.pick(source, panel="spread", mark="point")
    assert sorted(spread["y"]) == sorted(found.points["distance"])
    line = marks.pick(source, panel="bias", mark="line")
    held = found.lines[found.lines["check"] == "difference_on_mean"]
    assert list(line["upper"]) == list(held["upper"])
    normal = marks.pick(source, panel="normal", mark="point")
    assert list(normal["lower"]) == list(found.quantiles["lower"])
    check = marks.pick(source, panel="bias", mark="check").iloc[0]
    assert check["x"] == found["difference_slope"].value
    assert check["y"] == found.checks["p_value"].iloc[0]
    assert (
        not source.astype("string")
        .apply(lambda c: c.str.contains("rater-|finger|p1"))
        .any(axis=None)
    )


@pytest.mark.parametrize("width", [89, 183])
def test_the_figure_says_the_numbers_in_words(found, source, width):
    figure = assumptions.draw(source, ["Caution. few"], width_mm=width)
    text = results.all_text(figure)
    assert "40 participants" in text
    assert f"slope {number(found['difference_slope'].value, 'mm')} [" in text
    assert f"Shapiro-Wilk W = {number(found['normality_w'].value, '1')}" in text
    assert text.replace("\n", " ").count(WHY) == 3  # by hand: three panels of the lost stratum


@pytest.mark.parametrize("width", [89, 183])
def test_nothing_is_clipped_or_overprinted(found, width):
    strata = {"A2 loaded, uninjured": found, "A4 loaded, injured": found}
    figure = assumptions.draw(assumptions.source(strata), ["Caution. " + "few pairs " * 40],
                              width_mm=width)  # fmt: skip
    assert results.outside(figure) == []
    assert results.overlaps(figure) == []
    assert results.smallest_font(figure) >= 6


def test_every_kind_of_limits_has_its_axes():
    two = readings(30)
    kinds = {
        "ratio": limits_ratio(two),
        "lines": limits_regression(two, n_boot=100),
        "all": limits_with_mean(readings(30, raters=4)),
        "few": limits_of_agreement(readings(5)),
    }
    source = assumptions.source({k: limit_assumptions(v) for k, v in kinds.items()})
    figure = assumptions.draw(source)
    assert results.outside(figure) == []
    text = results.all_text(figure)
    for words in ("log ratio", "distance seen (SD)", "SD of readings (mm)", "Not asked", "no test"):
        assert words in text


def test_more_strata_than_there_is_room_for_are_refused(found):
    source = assumptions.source(dict.fromkeys("abc", found))
    with pytest.raises(ArgumentError, match="room for 2 strata"):
        assumptions.draw(source, width_mm=89)


def test_it_can_be_drawn_again_from_the_csv(source, tmp_path):
    path = tmp_path / "source.csv"
    source.to_csv(path, index=False)
    numbers = {column: [""] for column in (*marks.NUMBERS, *marks.COUNTS)}
    back = marks.frame(
        pd.read_csv(path, keep_default_na=False, na_values=numbers).to_dict("records")
    )
    assert results.svg(assumptions.draw(back)) == results.svg(assumptions.draw(source))
