import pandas as pd
import pytest

from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.figures import marks
from cohortkit.report.answer import Answer, attempt, estimate_rows, gather

AREA = Estimate("auc", 0.9, 0.8, 0.95, 0.95, "1", "m", n_participants=30)
BARE = Estimate("lr_negative", 0.0, float("nan"), float("nan"), float("nan"), "1", "m")


def result(*cautions):
    return Result("How well?", (AREA, BARE), tuple(Caution("c", text) for text in cautions))


def answer(**parts):
    given = {"results": (), "sets": (), "tables": {}, "findings": ("found",)} | parts
    return Answer(name="fig", question="Why?", source=marks.frame([]), **given)


def refuse():
    raise EstimateError("Too few rows", found="3", next_step="pool more sites")


def misuse():
    raise ArgumentError("Wrong argument", next_step="correct it")


def test_a_refusal_becomes_words_and_a_mistake_does_not():
    assert attempt(refuse) == "Not estimated. Too few rows. Found: 3."
    assert attempt(result, "x").cautions[0].message == "x"
    with pytest.raises(ArgumentError):
        attempt(misuse)


def test_results_and_refusals_are_gathered_in_order():
    parts = gather({("A2", "roc"): result(), ("A4", "roc"): "Not estimated. Too few rows."})
    assert parts["strata"] == ("A2",)
    assert list(parts["tables"]["estimates"]["estimator"]) == ["roc", "roc"]
    assert parts["tables"]["not_estimated"].to_dict("records") == [
        {"stratum": "A4", "estimator": "roc", "reason": "Not estimated. Too few rows."}
    ]


def test_nothing_estimated_leaves_no_table_of_estimates():
    assert list(gather({("A2", "roc"): "Not estimated."})["tables"]) == ["not_estimated"]


def test_a_caution_is_said_once_with_all_its_strata():
    both = answer(results=(result("few", "late"), result("few")), strata=("A2", "A4"))
    assert both.cautions == ("A2; A4: few", "A2: late")


def test_an_answer_shows_itself_escaped():
    parts = gather({("<b>A2</b>", "roc"): result("<script>x</script>")})
    shown = answer(**parts)
    html = shown._repr_html_()
    assert "<script>" not in html
    assert "<b>A2" not in html
    assert "0.900" in html
    assert "Caution. <b>A2</b>: <script>" in repr(shown)


def test_estimates_as_text_leave_out_columns_that_say_nothing():
    frame = gather({("A2", "roc"): result()})["tables"]["estimates"]
    headings, rows = estimate_rows(frame)
    assert headings == ["estimate", "value", "interval", "participants"]
    assert rows[0] == ["area under the ROC curve", "0.900", "[0.800, 0.950] (95 %)", "30"]
    assert rows[1][2] == "no interval"
    two = pd.concat([frame, frame.assign(stratum="A4", estimator="other_one")])
    assert "from" in estimate_rows(two)[0]
    assert estimate_rows(two)[0][:3] == ["stratum", "estimate", "value"]


def test_a_limit_too_small_to_be_seen_is_no_number():
    nan = float("nan")
    limit = Estimate("lower_limit", nan, float("-inf"), 0.4, 0.9, "mm", "m", n_participants=30)
    found = Result("Which gaps are usual?", (limit,))
    frame = gather({("A2", "reference_interval"): found})["tables"]["estimates"]
    assert estimate_rows(frame)[1] == [
        ["lower reference limit", "too small to be seen", "below 0.40 mm (90 %)", "30"]
    ]


def test_machine_names_in_cautions_and_refusals_are_said_in_words():
    told = answer(results=(result("zero: subject_rater"),), strata=("A2",))
    assert told.cautions == ("A2: zero: scan by rater",)


def test_notices_stand_before_all_else():
    marked = answer(notices=("All <i>invented</i>.",))
    assert repr(marked).startswith("Note. All <i>invented</i>.\nWhy?")
    assert "All &lt;i&gt;invented" in marked._repr_html_()
