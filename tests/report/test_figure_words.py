import pandas as pd
import pytest

from cohortkit.display import number
from cohortkit.report.answers import alt_text

AXES = {
    "fig1_flow": ("records read", "in the set"),
    "fig2_agreement": ("difference of two raters in mm (vertical)", "(horizontal)"),
    "fig3_reference_range": ("number of uninjured adults (vertical)", "(horizontal)"),
    "fig4_thresholds": ("sensitivity (vertical)", "(horizontal)"),
    "fig5_outcomes": ("share returned to full climbing (vertical", "days since onset"),
    "fig6_reliability": ("share of the variance", "in mm"),
    "fig7_assumptions": ("difference of two raters in mm (vertical)", "normal"),
}


@pytest.mark.parametrize("name", AXES)
def test_alt_text_names_the_axes(every_answer, name):
    text = alt_text(every_answer[name])
    assert all(words in text for words in AXES[name])
    assert 200 < len(text) < 2500
    assert "_" not in text


def test_alt_text_holds_the_main_numbers_of_the_results(every_answer):
    agreement = every_answer["fig2_agreement"]
    limits = [r for r in agreement.results if hasattr(r, "pairs")]
    assert limits
    for result in limits:
        assert f"bias {number(result['bias'].value, 'mm')}" in alt_text(agreement)
    thresholds = every_answer["fig4_thresholds"]
    areas = [e.value for r in thresholds.results for e in r if e.name == "auc"]
    assert areas
    for area in areas:
        assert f"area under the ROC curve {number(area, '1')}" in alt_text(thresholds)


def test_a_figure_with_nothing_to_draw_says_why(every_answer):
    source = every_answer["fig3_reference_range"].source
    why = source.head(1).assign(mark="none", label="Not estimated. Too few.", y=float("nan"))
    empty = type(every_answer["fig3_reference_range"])(
        **{**vars(every_answer["fig3_reference_range"]), "source": pd.concat([why])}
    )
    assert "nothing to draw (Not estimated. Too few.)" in alt_text(empty)
