import pytest

from cohortkit.cohort.reasons import REASONS
from cohortkit.figures import words
from cohortkit.tables.rules import rule_entries


@pytest.mark.parametrize(
    ("name", "estimator", "said"),
    [
        ("icc_a_1", "icc", "ICC(A,1) = ICC(2,1)"),
        ("sem_agreement", "icc", "SEM, agreement"),
        ("lower_limit", "limits", "lower limit of agreement"),
        ("upper_limit", "reference_interval", "upper reference limit"),
        ("sensitivity_naive", "corrected_accuracy", "sensitivity, verified rows only"),
        ("returned_by_180", "kaplan_meier", "share returned by day 180"),
        ("sdc_inter_new_site", "reliability", "SDC, raters of a new site"),
        ("sem_consistency", "reliability", "SEM, consistency"),
        ("sd_subject_rater", "reliability", "SD, scan by rater"),
        ("sdc", "decision_study", "SDC"),
        ("some_new_name", "", "some new name"),
    ],
)
def test_an_estimate_is_said_in_words(name, estimator, said):
    assert words.estimate(name, estimator) == said


def test_every_code_of_a_problem_has_its_words():
    codes = [*REASONS, *(rule.id for rule in rule_entries())]
    bare = [code for code in codes if words.problem(code) == code.replace("_", " ")]
    assert bare == []
    said = [words.problem(code) for code in codes]
    assert len(set(said)) == len(codes)
    assert not any(line.startswith("not so") or "_" in line for line in said)


def test_a_broken_rule_says_what_was_seen():
    seen = "a gap of exactly zero not marked as below resolution"
    assert words.problem("gap_above_zero") == seen


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("zero: rater, subject_rater. So", "zero: rater, scan by rater. So"),
        ("lower_limit is unseen", "lower limit is unseen"),
        ("see docs/methods/passing_bablok.md", "see docs/methods/passing_bablok.md"),
        ("in numbers_in_text.csv here", "in numbers_in_text.csv here"),
        ("log_log limits", "log-log limits"),
        (
            'Take the log scale (scale="log"), or less (p = 0.02).',
            "Take the log scale, or less (p = 0.02).",
        ),
    ],
)
def test_a_sentence_keeps_file_names_and_loses_machine_names(sentence, said):
    assert words.plain(sentence) == said


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ("pulley is not A2", "read at another pulley than A2"),
        ("load is not loaded", "read at rest"),
        ("read_mode is not stored", "not read from a stored clip"),
        ("injured is not True", "scan of an uninjured finger"),
        ("younger than 18", "younger than 18"),
        ("grade not derivable under schoffl2003",
         "grade not derivable by the rules of Schöffl and others 2003"),
    ],
)  # fmt: skip
def test_why_rows_are_left_out_is_said_in_words(reason, said):
    assert words.left_out(reason) == said


def test_groups_and_headings_in_words():
    assert words.group("raters=1; reads=3") == "1 rater, 3 readings each"
    assert words.group("grade=II") == "grade II"
    assert words.heading("possibly_returned") == "followed, perhaps returned"
