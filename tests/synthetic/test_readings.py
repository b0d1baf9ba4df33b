"""Readings, their errors, and the sets read by several raters."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.synthetic.design import read_design
from cohortkit.synthetic.readings import PARTS
from tests.synthetic.cohorts import large, shipped

DESIGN = read_design()


def stored(cohort):
    readings = cohort.tables["readings"]
    return readings[readings["read_mode"] == "stored"]


def test_there_are_some_ten_thousand_readings():
    assert 8_000 <= len(shipped().tables["readings"]) <= 12_000


def test_the_parts_add_up_to_the_gap_before_it_is_written():
    rows = large().hidden["readings"]
    assert rows[list(PARTS)].sum(axis=1).to_numpy() == pytest.approx(rows["unrounded_mm"])


def test_the_stored_set_is_complete_and_crossed():
    rows = stored(shipped())
    cells = rows.groupby(["scan_id", "pulley", "load"])["rater_id"].agg(["size", "nunique"])
    raters = DESIGN.agreement.stored_raters
    # planted truth: 5 sites x (6 uninjured + 6 injured) scans x 2 pulleys x 2 loads
    assert len(cells) == 5 * 12 * 4
    assert (cells == len(raters)).all(axis=None)
    assert set(rows["rater_id"]) == set(raters)
    assert {r[:3] for r in raters} == {"S01", "S02", "S03", "S04"}


def test_the_stored_set_has_one_finger_per_adult_from_each_site():
    rows = stored(shipped()).drop_duplicates("scan_id")
    scans = shipped().tables["scans"].merge(shipped().tables["participants"], on="participant_id")
    chosen = scans[scans["scan_id"].isin(rows["scan_id"])]
    assert chosen["participant_id"].is_unique
    assert (chosen["age_years"] >= 18).all()
    assert chosen.groupby("site_id").size().eq(12).all()  # planted truth
    assert chosen["episode_id"].notna().sum() == 30  # planted truth: 6 injured at each of 5 sites


def test_two_raters_read_forty_scans_live():
    rows = shipped().tables["readings"]
    live = rows[(rows["read_mode"] == "live") & (rows["read_no"] == 1)]
    raters = live.groupby("scan_id")["rater_id"].agg(set)
    both = raters[raters.map(len) == 2]
    assert len(both) == DESIGN.agreement.pair_scans
    assert {tuple(sorted(pair)) for pair in both} == {DESIGN.agreement.pair_raters}


def test_live_readings_are_made_by_the_sites_own_raters():
    rows = shipped().tables["readings"]
    live = rows[rows["read_mode"] == "live"]
    assert (live["rater_id"].str[:3] == live["scan_id"].str[:3]).all()


def test_about_half_of_the_scans_are_read_twice_and_numbered():
    rows = large().tables["readings"]
    assert set(rows["read_no"]) == {1, 2}
    twice = rows.groupby("scan_id")["read_no"].max() == 2
    # planted truth: half, but for the averaged scans; standard error about 0.0044
    assert twice.mean() == pytest.approx(DESIGN.reading.repeat_share, abs=0.03)


def test_averaged_readings_stand_at_one_site_and_are_not_repeated():
    rows = large().tables["readings"]
    averaged = rows[rows["reads_averaged"] > 1]
    assert len(averaged) > 50
    assert averaged["scan_id"].str.startswith(DESIGN.reading.averaged_site).all()
    again = rows[rows["scan_id"].isin(averaged["scan_id"]) & (rows["read_mode"] == "live")]
    assert again["read_no"].eq(1).all()


def test_gaps_are_written_in_tenths_and_by_one_rater_in_halves():
    rows = shipped().tables["readings"].dropna(subset=["gap_mm"])
    heaped = rows["rater_id"] == "S03-R2"
    halves, tenths = rows.loc[heaped, "gap_mm"] * 2, rows.loc[~heaped, "gap_mm"] * 10
    assert np.allclose(halves, halves.round())
    assert np.allclose(tenths, tenths.round())
    assert heaped.sum() > 300


def test_a_gap_is_unseen_exactly_below_the_sites_resolution():
    rows = large().hidden["readings"]
    below = rows["unrounded_mm"] < rows["resolution_mm"]
    assert below.equals(rows["below_resolution"].astype(bool))
    assert (rows.loc[~below, "gap_mm"] >= rows.loc[~below, "resolution_mm"]).all()


@pytest.mark.parametrize(
    ("part", "planted"),
    [("rater_finger_mm", 0.08), ("picture_mm", 0.10), ("caliper_mm", 0.12)],
)
def test_errors_of_uninjured_fingers_have_the_planted_spread(part, planted):
    rows, scans = large().hidden["readings"], large().hidden["scans"]
    intact = (scans["episode"].to_numpy()[rows["scan"]] < 0) & (rows["reads_averaged"] == 1)
    # planted truth; thousands of independent draws, so 3 % is more than five standard errors
    assert rows.loc[intact, part].std() == pytest.approx(planted, rel=0.03)


def test_errors_of_torn_fingers_are_larger():
    cohort = large()
    rows = cohort.hidden["readings"]
    episode = cohort.hidden["scans"]["episode"].to_numpy()[rows["scan"]]
    torn = cohort.hidden["episodes"]["true_A2"].eq("complete").to_numpy()[episode] & (episode >= 0)
    a2 = rows["pulley"] == "A2"
    ratio = (
        rows.loc[a2 & torn, "caliper_mm"].std() / rows.loc[a2 & (episode < 0), "caliper_mm"].std()
    )
    assert ratio == pytest.approx(DESIGN.reading.error_scale["complete"], rel=0.05)


def test_all_who_read_a_clip_share_its_picture():
    rows = shipped().hidden["readings"]
    clips = rows[rows["read_mode"] == "stored"]
    assert (clips.groupby(["scan_id", "pulley", "load"])["picture_mm"].nunique() == 1).all()
    live = rows[(rows["read_mode"] == "live") & (rows["read_no"] == 1)]
    first = live.drop_duplicates(["scan_id", "pulley", "load"])
    joined = clips.merge(first, on=["scan_id", "pulley", "load"], suffixes=("", "_live"))
    assert (joined["picture_mm"] == joined["picture_mm_live"]).all()


def test_repeats_make_their_own_picture():
    rows = shipped().hidden["readings"]
    live = rows[rows["read_mode"] == "live"]
    pairs = live.pivot_table("picture_mm", ["scan_id", "rater_id", "pulley", "load"], "read_no")
    assert (pairs[1] != pairs[2]).all()


def test_a3_is_read_to_the_volar_plate_and_never_from_a_clip():
    rows = shipped().tables["readings"]
    assert (rows["pulley"] == "A3").equals(rows["reference_structure"] == "volar_plate")
    assert not stored(shipped())["pulley"].eq("A3").any()
