import math
from dataclasses import replace

import pandas as pd
import pytest

from cohortkit import agreement
from cohortkit.display import number
from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.outcomes import ReturnToClimbing
from cohortkit.report import findings
from cohortkit.report.plan import ReliabilityPlan, read_plan
from tests.figures import results

WHY = "Not estimated. Too few rows."


def estimate(name, value, lower, upper, unit="mm", group="", level=0.95):
    return Estimate(name, value, lower, upper, level, unit, "m", group, 30, 31, 60)


def of(*estimates):
    return Result("q", estimates)


def test_flow_counts_records_and_content():
    rows = [("read", "S01", "records", 10), ("accepted", "S01", "records", 8)]
    rows += [("refused", "S01", "records", 2), ("released", "S01", "scans", 5)]
    counts = pd.DataFrame(rows, columns=["step", "site_id", "unit", "n"])
    (line,) = findings.flow(counts, {})
    assert "10 records were read from 1 site: 8 accepted, 2 refused" in line
    assert "0 declared blank" in line
    assert "5 scans" in line


def test_agreement_gives_millimetres_first_and_a_reason_once():
    icc = of(estimate("sdc_agreement", 0.4, 0.3, 0.6), estimate("icc_a_1", 0.8, 0.6, 0.9, "1"))
    line = findings.agreement("A2", WHY, icc)
    assert "0.40 mm [0.30, 0.60]" in line
    assert line.index("mm") < line.index("ICC(A,1)")
    assert "30 participants" in line
    assert line.endswith(WHY)
    assert findings.agreement("A2", WHY, WHY) == f"A2. {WHY}"


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("lower_limit", "upper_limit"), "the middle 95 % of uninjured adults lie between"),
        (("upper_limit",), "lie below"),
        (("lower_limit",), "lie above"),
    ],
)
def test_reference_sides(names, words):
    line = findings.reference(
        read_plan().reference[0], of(*(estimate(n, 1, 0.9, 1.1) for n in names))
    )
    assert words in line
    assert "1.00 mm [0.90, 1.10]" in line


def test_a_lower_limit_among_unseen_gaps_is_said_in_words():
    low = estimate("lower_limit", math.nan, -math.inf, 0.4)
    line = findings.reference(
        read_plan().reference[0], of(low, estimate("upper_limit", 2, 1.9, 2.1))
    )
    assert "too small to be seen (below 0.40 mm)" in line
    assert "nan" not in line


def test_a_median_not_reached_is_said_in_words():
    result = ReturnToClimbing(
        "q",
        (
            estimate("median_day", math.nan, 90, math.inf, "d", "grade=IV"),
            estimate("median_day", 60, 40, math.inf, "d", "grade=I"),
            estimate("returned_by_180", 0.5, 0.4, 0.6, "1", "grade=I"),
        ),
    )
    assert "operated" not in " ".join(findings.outcome(result))
    result = replace(
        result,
        estimates=tuple(replace(e, n_readings=None, n_episodes=60) for e in result.estimates),
        cautions=(Caution("competing_ends", "some were operated on"),),
        informative=pd.DataFrame(
            {"group": ["grade=IV", "grade=I"], "episodes": 60, "informative": [60, 58]}
        ),
    )
    late, early = findings.outcome(result)
    assert "Grade IV: half had not returned" in late
    assert "half would have returned to full climbing by day 60 [40, no limit]" in early
    assert "(95 % interval) if nobody had been operated on or had given up" in early
    assert early.endswith("60 episodes, 58 of which say something about it.")
    assert late.endswith("within the follow-up; 30 participants, 31 fingers, 60 episodes.")
    assert findings.outcome(WHY) == (WHY,)


def test_a_threshold_is_never_a_recommendation():
    parts = dict.fromkeys(("roc", "accuracy_at", "corrected_accuracy", "youden_cut"), WHY)
    stratum = read_plan().thresholds[0]
    assert findings.threshold(stratum, parts) == f"A2 loaded. {WHY}"
    parts |= {
        "roc": of(estimate("auc", 0.9, 0.8, 1.0, "1")),
        "youden_cut": of(estimate("cut_point", 2.4, 2.0, 3.0)),
    }
    line = findings.threshold(stratum, parts)
    assert "2.40 mm [2.00, 3.00]" in line
    assert "no recommendation" in line


def test_reliability_gives_the_same_and_other_raters_and_the_largest_plan():
    stratum = ReliabilityPlan("A2", "A2", "loaded", "injured", "both", "new_site", 2, 3)
    result = of(
        estimate("repeatability_coefficient", 0.4, 0.3, 0.6),
        estimate("reproducibility_coefficient_new_site", 0.5, 0.4, 0.8),
    )
    plan = estimate("sdc", 0.2, 0.1, 0.3, group="raters=2; reads=3")
    line = findings.reliability(stratum, result, of(plan))
    assert "by the same rater by less than 0.40 mm [0.30, 0.60]" in line
    assert "by raters of two sites by less than 0.50 mm [0.40, 0.80]" in line
    assert "by two raters of a site" not in line
    assert line.endswith("the smallest detectable change is 0.20 mm [0.10, 0.30].")
    assert findings.reliability(stratum, WHY, WHY) == f"A2. {WHY}"
    assert findings.reliability(stratum, result, WHY).endswith(WHY)


def test_fewer_participants_with_a_reading_than_in_the_release_are_counted():
    rows = [("read", "S01", "records", 10), ("released", "S01", "participants", 5)]
    counts = pd.DataFrame(rows, columns=["step", "site_id", "unit", "n"])
    _, who = findings.flow(counts, {"with a reading": 4, "with an injury episode": 5})
    assert who.startswith(
        "4 of the 5 participants have a reading; 1 has none that was sent and accepted."
    )
    assert "episode" not in who


def test_assumptions_are_said_with_interval_p_and_n():
    data = results.two_rater_readings(20)
    found = agreement.limit_assumptions(agreement.limits_of_agreement(data))
    line = findings.assumptions("A2", found)
    slope = found["difference_slope"]
    assert f"changes by {number(slope.value, 'mm')} mm [" in line
    assert f"W of the differences is {number(found['normality_w'].value, '1')} (p" in line
    assert line.endswith("20 participants, 40 readings.")
    assert findings.assumptions("A2", "Not estimated.") == "A2. Not estimated."
