"""Names that machines use, said for people. The one place where that is done.

Files that scripts read keep the names: CSV, JSON and the ids of numbers. Pages,
figures and sentences take the words from here.
"""

from __future__ import annotations

import re

ICC_FORMS = {
    "icc_1_1": "ICC(1,1)",
    "icc_a_1": "ICC(A,1) = ICC(2,1)",
    "icc_c_1": "ICC(C,1) = ICC(3,1)",
    "icc_1_k": "ICC(1,k)",
    "icc_a_k": "ICC(A,k) = ICC(2,k)",
    "icc_c_k": "ICC(C,k) = ICC(3,k)",
}
ERRORS = {
    "sem_agreement": "SEM, agreement",
    "sem_consistency": "SEM, consistency",
    "sdc_agreement": "SDC, agreement",
    "sdc_consistency": "SDC, consistency",
}
COMPONENTS = {
    "site": "site",
    "participant": "participant",
    "finger": "finger in participant",
    "scan": "scan in finger",
    "rater_site": "site of rater",
    "rater": "rater",
    "subject_rater": "scan by rater",
    "residual": "residual",
}
_WHOSE = {
    "": "raters of a site",
    "agreement": "raters of a site",
    "inter": "raters of a site",
    "agreement_new_site": "raters of a new site",
    "inter_new_site": "raters of a new site",
    "consistency": "consistency",
    "intra": "the same rater",
}
_SHORT = {"icc": "ICC", "sem": "SEM", "sdc": "SDC", "cv": "coefficient of variation"}
_ESTIMATES = {
    "bias": "mean difference (bias)",
    "difference_slope": "change of the difference, mm per mm of the mean",
    "spread_slope": "change of the distance from that line, mm per mm of the mean",
    "normality_w": "Shapiro-Wilk's W",
    "sd_difference": "SD of the differences",
    "auc": "area under the ROC curve",
    "lr_positive": "likelihood ratio of a gap at or above the cut",
    "lr_negative": "likelihood ratio of a gap below the cut",
    "prevalence": "share with the target tear",
    "cut_point": "best cut (largest Youden index)",
    "youden_index": "Youden index",
    "median_day": "day by which half had returned",
}
_OF_ESTIMATOR = {
    ("limits", "lower_limit"): "lower limit of agreement",
    ("limits", "upper_limit"): "upper limit of agreement",
    ("reference_interval", "lower_limit"): "lower reference limit",
    ("reference_interval", "upper_limit"): "upper reference limit",
}
_ENDINGS = {"_naive": "verified rows only", "_apparent": "same rows, so too high"}
_ESTIMATORS = {
    "limits": "two raters",
    "limit_assumptions": "checks of the limits",
    "icc": "all raters",
    "reliability": "variance components",
    "decision_study": "mean of several readings",
    "reference_interval": "reference limits",
    "roc": "ROC curve",
    "accuracy_at": "stated cut",
    "corrected_accuracy": "stated cut, corrected for verification",
    "youden_cut": "Youden cut",
    "return_to_climbing": "known between visits (Turnbull)",
    "kaplan_meier": "days of the visits (Kaplan-Meier)",
}
_HEADINGS = {
    "known_not_returned": "followed, known not returned",
    "possibly_returned": "followed, perhaps returned",
    "known_returned": "known returned",
    "at_risk": "at risk just before that day",
    "returned": "returned by that day",
    "follow_up_ended": "follow-up ended by that day",
    "reason": "why",
    "estimator": "from",
}
_RULE_SETS = {
    "schoffl2003": "of Schöffl and others 2003",
    "lutter2021": "of Lutter and others 2021",
}

# What was seen where a rule was broken: a rule's id names what should be.
_BROKEN = {
    "primary_key_unique": "two records with the same key",
    "foreign_key_found": "a code that points to no record",
    "gap_above_zero": "a gap of exactly zero not marked as below resolution",
    "below_resolution_has_limit": "a gap below resolution without the smallest visible gap",
    "below_resolution_has_no_gap": "a gap marked as below resolution and yet given in mm",
    "gap_present": "no gap given, and not marked as below resolution",
    "gap_at_most_8_mm": "a gap above 8 mm",
    "gap_not_below_limit": "a gap smaller than the smallest visible gap",
    "reference_structure_fits_pulley": "a gap measured to a structure that does not belong to the "
    "pulley",
    "caliper_site_fits_pulley": "a caliper site that does not lie beneath the pulley",
    "rest_has_no_load": "a reading at rest with a load method or a force",
    "loaded_has_method": "a loaded reading without the way of loading",
    "force_has_gauge": "a force given without a gauge",
    "averaged_reading_not_repeated": "a mean of several readings given as one of several repeats",
    "read_no_consecutive": "repeats of a rater not numbered 1, 2, 3 and so on",
    "loaded_gap_not_below_rest": "a gap smaller under load than at rest",
    "rater_at_own_site": "a live reading by a rater of another site",
    "clinic_gap_not_in_cm": "gaps of a clinic that look like centimetres",
    "clinic_gap_not_tenfold": "gaps of a clinic that look ten times too large",
    "rater_gap_not_in_cm": "gaps of one rater that look like centimetres",
    "reading_not_in_cm": "a single gap a tenth of the others of its clinic",
    "reading_not_tenfold": "a single gap of an uninjured finger ten times the others of its clinic",
    "climbing_years_fit_age": "more years of climbing than since the third birthday",
    "scan_finger_is_episode_finger": "a scan of another person or finger than its episode",
    "injured_finger_names_its_episode": "a scan of an injured finger that names no episode",
    "episode_not_entered_twice": "a finger injured twice on one day",
    "injury_has_tears": "an episode that says nothing of its pulleys",
    "device_at_own_site": "a scan with a device of another site",
    "tear_basis_present": "a tear status without the evidence for it",
    "tear_status_single": "two statuses of one pulley in one episode",
    "operation_recorded": "a tear seen at operation without the operation among the treatments",
    "scan_not_before_onset": "a scan of an episode dated before the injury",
    "verification_not_before_onset": "a tear verified before the injury",
    "treatment_not_before_onset": "a treatment that started before the injury",
    "treatment_ends_after_start": "a treatment that ended before it started",
    "visit_not_before_onset": "a follow-up dated before the injury",
    "visit_days_rise": "a later visit dated before an earlier one",
    "attended_visit_has_day": "observations of a visit without its day",
    "no_return_after_giving_up": "climbing again after giving it up for good",
}
_PROBLEMS = {
    "extra_field": "more cells than the header names",
    "short_row": "fewer cells than the header names",
    "unclosed_quote": "a quoted cell that is not closed",
    "stray_quote": "a quote inside a cell that is not quoted",
    "bare_carriage_return": "a line split by a stray carriage return",
    "nul_character": "a character that no text holds",
    "undecodable_byte": "a character that the declared encoding does not have",
    "cell_too_long": "a cell that is far too long",
    "hidden_row": "a row hidden in the sheet",
    "merged_cells": "a row of merged cells",
    "required_missing": "a value that has to be given is missing",
    "excel_error": "a spreadsheet error instead of a value",
    "formula_no_value": "a formula without a stored result",
    "digits_lost": "a number whose last digits the spreadsheet lost",
    "date_where_text_expected": "a date where a label is expected",
    "date_as_serial_number": "a spreadsheet's serial number instead of a date",
    "formula_text": "text that begins like a formula",
    "not_a_number": "text where a number is expected",
    "not_a_whole_number": "a fraction where a whole number is expected",
    "ambiguous_thousands": "a mark that may be decimal or thousands",
    "thousands_mark": "a number with a thousands mark",
    "wrong_decimal_mark": "another decimal mark than the clinic declared",
    "exponent_notation": "a number written with an exponent",
    "number_too_long": "a number with too many characters",
    "unit_in_cell": "a unit or word behind a number",
    "limit_not_declared": "a limit such as '<0.3' where a number is expected",
    "not_yes_or_no": "neither yes nor no",
    "unknown_code": "a code that is not known",
    "pattern": "a code with characters that it may not hold",
    "country_pattern": "not a country code",
    "id_part_missing": "part of an id is missing",
    "below_minimum": "a value below the least allowed",
    "above_maximum": "a value above the largest allowed",
    "date_not_in_format": "not a date as declared",
    "date_out_of_range": "a year outside 1900 to 2100",
    "date_order_doubtful": "a date with day and month perhaps exchanged",
    "no_enrolment_date": "no enrolment date to count days from",
    "enrolment_date_bad": "an enrolment date that cannot be used",
    "enrolment_conflict": "several enrolment dates of one participant",
    "duplicate_record": "the same record a second time",
    "key_conflict": "records of one key that contradict one another",
    "parent_missing": "belongs to a record that was never sent",
    "parent_refused": "belongs to a record that was refused",
    "other_site": "a record of another site",
    "no_block_applies": "a kind of record that the clinic's mapping does not know",
}
_TOKENS = {
    "us_gap": "gap on ultrasound",
    "us_direct": "tear seen on ultrasound",
    "not_verified": "not verified",
    "log_log": "log-log",
}
# A name in snake case that is no part of a file name or a path.
_NAME = re.compile(r"(?<![\w/.])[a-z][a-z0-9]*(?:_[a-z0-9]+)+(?![\w/]|\.\w)")
# An argument that a caution names for those who call the estimator.
_ARGUMENT = re.compile(r" \(\w+=[^()]*\)")
_NOT_CHOSEN = {
    "load is not loaded": "read at rest",
    "load is not rest": "read under load",
    "read mode is not stored": "not read from a stored clip",
    "read mode is not live": "not read live",
    "read no is not 1": "not the rater's first reading",
    "reads averaged is not 1": "mean of several readings",
    "injured is not False": "scan of an injured finger",
    "injured is not True": "scan of an uninjured finger",
}


def estimate(name: str, estimator: str = "") -> str:
    """An estimate's name for people: ``sem_agreement`` as "SEM, agreement"."""
    known = _OF_ESTIMATOR.get((estimator, name)) or {**ICC_FORMS, **_ESTIMATES}.get(name)
    if known:
        return known
    if name in ERRORS and estimator != "reliability":
        return ERRORS[name]
    for ending, said in _ENDINGS.items():
        if name.endswith(ending):
            return f"{estimate(name.removesuffix(ending), estimator)}, {said}"
    head, _, rest = name.partition("_")
    if head in _SHORT and rest in _WHOSE:
        return f"{_SHORT[head]}, {_WHOSE[rest]}" if rest else _SHORT[head]
    if head == "sd" and rest in COMPONENTS:
        return f"SD, {COMPONENTS[rest]}"
    if name.startswith("returned_by_"):
        return f"share returned by day {name.removeprefix('returned_by_')}"
    return name.replace("_", " ")


def plain(sentence: str) -> str:
    """A sentence of an estimator with every machine name in it said in words."""

    def said(match: re.Match[str]) -> str:
        name = match[0]
        return _TOKENS.get(name) or COMPONENTS.get(name) or estimate(name)

    return _NAME.sub(said, _ARGUMENT.sub("", sentence))


def estimator(name: str) -> str:
    """Where an estimate comes from: ``accuracy_at`` as "stated cut"."""
    return _ESTIMATORS.get(name, name.replace("_", " "))


def group(label: str) -> str:
    """A group: ``raters=1; reads=3`` as "1 rater, 3 readings each"."""
    plan = re.fullmatch(r"raters=(\d+); reads=(\d+)", label)
    if plan:
        raters, reads = (int(n) for n in plan.groups())
        first = f"{raters} rater{'' if raters == 1 else 's'}"
        return f"{first}, {reads} reading{'' if reads == 1 else 's'} each"
    return label.replace("=", " ").replace("_", " ")


def heading(name: str) -> str:
    """The heading of a column: ``follow_up_ended`` as "follow-up ended by that day"."""
    return _HEADINGS.get(name, name.replace("_", " "))


def problem(code: str) -> str:
    """What was seen, where a record was refused or kept with a warning."""
    return _BROKEN.get(code) or _PROBLEMS.get(code) or code.replace("_", " ")


def left_out(reason: str) -> str:
    """Why rows are not in an analysis set."""
    text = reason.replace("_", " ")
    pulley = re.fullmatch(r"pulley is not (\w+)", text)
    if pulley:
        return f"read at another pulley than {pulley[1]}"
    under = re.fullmatch(r"grade not derivable under (\w+)", text)
    if under:
        return f"grade not derivable by the rules {rule_set(under[1])}"
    return _NOT_CHOSEN.get(text, text)


def rule_set(name: str) -> str:
    """The rules that turn tears into grades, by their authors."""
    return _RULE_SETS.get(name, name)
