"""The shipped design, and designs that cannot be read."""

from __future__ import annotations

import tomllib

import pytest

from cohortkit.errors import ArgumentError
from cohortkit.synthetic.design import GRADES, LOADS, PULLEYS, STATUSES, read_design
from cohortkit.tables.schema import shipped_folder, table

DESIGN = read_design()
TEXT = (shipped_folder("synthetic_cohort") / "design.toml").read_text(encoding="utf-8")


def written(tmp_path, text):
    path = tmp_path / "design.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_shipped_design_says_that_it_is_invented():
    assert "INVENTED" in TEXT


def test_every_planted_code_is_one_of_the_format():
    readings, tears = table("readings"), table("tears")
    assert set(PULLEYS) == set(readings.field("pulley").codes)
    assert set(LOADS) == set(readings.field("load").codes)
    assert set(STATUSES) == set(tears.field("status").codes)
    for site in DESIGN.sites:
        assert site.setting in table("sites").field("setting").codes
        assert site.load_method in readings.field("load_method").codes
        for rater in site.raters:
            assert rater.discipline in table("raters").field("discipline").codes


def test_shares_add_up_to_one():
    assert sum(s.share for s in DESIGN.sites) == pytest.approx(1)
    assert sum(p.share for p in DESIGN.injuries.patterns) == pytest.approx(1)
    assert sum(DESIGN.people.fingers_scanned) == pytest.approx(1)


def test_grades_follow_the_published_case_mix():
    mix = {g: sum(p.share for p in DESIGN.injuries.patterns if p.grade == g) for g in GRADES}
    # source: Schöffl et al. 2003, 122 pulley injuries: grades 39, 25, 30, 6 %
    assert mix == pytest.approx({"I": 0.39, "II": 0.25, "III": 0.30, "IV": 0.06})


def test_a_complete_a4_has_the_trade_figure():
    mean = DESIGN.gaps.mean_mm["A4"]
    assert mean["rest"]["complete"] == 3.1  # common practice, no source
    assert mean["loaded"]["complete"] == 4.2  # common practice, no source


def test_means_rise_with_the_tear_and_with_load():
    for pulley in PULLEYS:
        for load in LOADS:
            means = [DESIGN.gaps.mean_mm[pulley][load][s] for s in STATUSES]
            assert means == sorted(means)
            assert len(set(means)) == len(STATUSES)
        rest, loaded = (DESIGN.gaps.mean_mm[pulley][x] for x in LOADS)
        assert all(loaded[s] > rest[s] for s in STATUSES)


def test_spread_and_error_rise_with_the_tear():
    for scale in (DESIGN.gaps.pulley_sd, DESIGN.reading.error_scale):
        spread = [scale[s] for s in STATUSES]
        assert spread == sorted(spread)


def test_an_absent_and_an_unknown_key_are_named(tmp_path):
    text = TEXT.replace("two_fingers = 0.06", "three_fingers = 0.06")
    with pytest.raises(ArgumentError, match="absent: two_fingers; unknown: three_fingers"):
        read_design(written(tmp_path, text))


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("rater_sd = 0.10", 'rater_sd = "wide"', "design.toml:reading:rater_sd"),
        ("two_fingers = 0.06", "two_fingers = true", "design.toml:injuries:two_fingers"),
        ("fingers_scanned = [0.12,", 'fingers_scanned = ["few",', r"fingers_scanned\[0\]"),
    ],
)
def test_a_value_of_the_wrong_kind_is_named(tmp_path, old, new, place):
    assert old in TEXT
    with pytest.raises(ArgumentError, match=place):
        read_design(written(tmp_path, TEXT.replace(old, new)))


def test_a_file_that_is_no_toml_or_absent_is_refused(tmp_path):
    with pytest.raises(ArgumentError, match="cannot be read"):
        read_design(written(tmp_path, "seed = = 1"))
    with pytest.raises(ArgumentError, match="cannot be read"):
        read_design(tmp_path / "absent.toml")


def test_whole_numbers_are_taken_where_a_decimal_is_expected(tmp_path):
    design = read_design(
        written(tmp_path, TEXT.replace("healing_days = 120.0", "healing_days = 90"))
    )
    assert design.gaps.healing_days == 90
    assert isinstance(design.gaps.healing_days, float)


def test_the_design_holds_everything_in_the_file():
    parsed = tomllib.loads(TEXT)
    assert DESIGN.seed == parsed["seed"]
    assert len(DESIGN.sites) == len(parsed["sites"])
