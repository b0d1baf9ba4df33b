import pandas as pd

from cohortkit.report import chosen


def test_the_two_raters_compared_read_most_scans_in_common():
    rows = pd.DataFrame(
        {"scan_id": ["a", "a", "b", "b", "c", "c"], "rater_id": ["x", "y", "y", "z", "y", "z"]}
    )
    assert chosen.most_shared_raters(rows) == ("y", "z")
    assert chosen.most_shared_raters(rows.head(1)) is None
    tied = rows.iloc[:4]
    assert chosen.most_shared_raters(tied) == ("x", "y")  # by hand: one scan each, first by code


def test_sets_follow_the_plan(release, plan):
    first = plan.agreement[0]
    rows = chosen.agreement_set(release, plan, 0).rows
    assert set(rows["pulley"]) == {first.pulley}
    assert set(rows["read_mode"]) == {first.read_mode}
    assert rows.groupby("participant_id")["finger_id"].nunique().max() == 1
    assert chosen.threshold_set(release, plan.thresholds[0], "keep").settings["us_gap"] == "keep"
    assert chosen.reference_set(release, plan, 0).settings["pulley"] == plan.reference[0].pulley
