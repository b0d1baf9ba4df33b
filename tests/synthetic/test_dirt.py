"""Planted problems and their lines."""

from __future__ import annotations

import pytest

from cohortkit.errors import ArgumentError
from cohortkit.synthetic.dirt import BLANK, Dirt
from cohortkit.synthetic.sheets import Sheet


def gaps():
    return Sheet(
        "gaps",
        "gaps.csv",
        ["id", "read no", "gap"],
        [[f"r{k}", str(k % 2), "1.4"] for k in range(6)],
    )


def lines(dirt):
    listed = dirt.listed()
    return dict(zip(listed["code"], listed["line"], strict=True))


def test_lines_are_physical_and_counted_last():
    sheet, dirt = gaps(), Dirt("S01")
    dirt.cell(sheet, dirt.pick(sheet, 0), "gap", "31", "above_maximum")
    dirt.cell(sheet, dirt.pick(sheet, 0), "gap", "x", "not_a_number")
    dirt.blank(sheet, 1)
    # by hand: header on 1, first row on 2, the empty line on 3, the second row on 4
    assert lines(dirt) == {"above_maximum": 2, "not_a_number": 4, "": 3}
    assert dirt.listed().set_index("code").loc["", "severity"] == BLANK


def test_titles_above_the_header_shift_the_lines():
    sheet, dirt = gaps(), Dirt("S01")
    sheet.above = [["title"], [], []]
    dirt.cell(sheet, dirt.pick(sheet, 0), "gap", "31", "above_maximum")
    assert lines(dirt) == {"above_maximum": 5}  # by hand: 3 titles, header on 4


def test_a_spoiled_row_is_not_picked_again():
    sheet, dirt = gaps(), Dirt("S01")
    first = dirt.pick(sheet, 0)
    dirt.cell(sheet, first, "gap", "31", "above_maximum")
    assert dirt.pick(sheet, 0) is not first
    dirt.repeat(sheet, dirt.pick(sheet, 0))
    assert dirt.pick(sheet, 0)[0] == "r2"


def test_rows_are_picked_by_their_cells_and_spared_ones_left_alone():
    sheet, dirt = gaps(), Dirt("S01", spared=["r1"])
    assert dirt.pick(sheet, 0, read_no="1")[0] == "r3"


def test_too_few_rows_are_an_error():
    with pytest.raises(ArgumentError, match="too few rows"):
        Dirt("S01").pick(gaps(), 6)


def test_repeats_stand_at_the_end_and_only_the_later_is_wrong():
    sheet, dirt = gaps(), Dirt("S01")
    dirt.repeat(sheet, dirt.pick(sheet, 2))
    assert sheet.rows[-1] == sheet.rows[2]
    assert lines(dirt) == {"duplicate_record": 8}  # by hand: header and six rows before it


def test_rows_can_be_too_long_too_short_and_put_in():
    sheet, dirt = gaps(), Dirt("S01")
    dirt.extra_field(sheet, dirt.pick(sheet, 0), "more")
    dirt.short_row(sheet, dirt.pick(sheet, 0))
    dirt.put_in(sheet, sheet.rows[3], {"id": "new"}, "some_rule", severity="warning")
    assert [len(r) for r in sheet.rows[:2]] == [4, 2]
    assert sheet.rows[-1] == ["new", "1", "1.4"]
    assert set(dirt.listed()["severity"]) == {"refuse", "warning"}
