"""Which records a block takes, and what it makes of them."""

from __future__ import annotations

import pytest

from cohortkit.cohort.blocks import selected, typed_column
from cohortkit.cohort.mapping import read_mapping
from cohortkit.cohort.mapping_parts import Selector
from cohortkit.cohort.source_files import read_sources
from cohortkit.cohort.validation import import_clinic
from tests.cohort.clinic_files import MAPPING, SCANS, import_scans, problem_rows, write_clinic
from tests.cohort.test_traps import LINE, odd_row


@pytest.mark.parametrize(
    ("values", "word", "dtype"),
    [
        (["a", None], "string", "string"),
        ([1, None], "integer", "Int64"),
        ([1.5, None], "number", "float64"),
        ([True, None], "boolean", "boolean"),
        ([], "number", "float64"),
    ],
)
def test_values_get_the_formats_types(values, word, dtype):
    column = typed_column(values, word)
    assert str(column.dtype) == dtype
    assert column.isna().tolist() == [v is None for v in values]


def test_selector_reads_plain_spelling(tmp_path):
    path = write_clinic(tmp_path, scans=[*SCANS, odd_row(Band=" A4\u00a0")])
    scans = read_sources(read_mapping(path))[1]
    chosen = selected(scans, Selector("Band", ("A4",)))
    assert chosen.tolist() == [False, False, True, False, False, True, True]
    assert selected(scans, None).all()


def test_variants_make_one_row_each_and_stay_away_when_blank(tmp_path):
    intake = import_scans(tmp_path, [*SCANS, odd_row(Ruhe="-")])
    mine = intake.tables["readings"]
    assert mine.loc[mine["scan_id"] == "s9", "load"].tolist() == ["loaded"]


def test_a_text_with_a_meaning_is_not_blank(tmp_path):
    mapping = MAPPING.replace('missing = ["", "-"]', 'missing = ["", "-", "n.d."]')
    path = write_clinic(tmp_path, mapping=mapping, scans=[*SCANS, odd_row(Ruhe="n.d.")])
    row = import_clinic(path).tables["readings"].set_index("reading_id").loc["r-s9-A2-R1"]
    assert bool(row["below_resolution"]) is True


def test_a_spreadsheet_failure_is_not_blank(tmp_path):
    found = problem_rows(import_scans(tmp_path, [*SCANS, odd_row(Ruhe="#N/A", Last="#N/A")]))
    assert [(row[1], row[2], row[4]) for row in found] == [
        (LINE, "Last", "excel_error"),
        (LINE, "Ruhe", "excel_error"),
    ]


def test_typed_rows_are_judged_like_read_ones(tmp_path):
    mapping = MAPPING.replace("transducer_mhz = 18", "transducer_mhz = 180").replace(
        'rater_id = "R2"\n', ""
    )
    found = problem_rows(import_clinic(write_clinic(tmp_path, mapping=mapping)))
    mine = [row for row in found if row[0] == "mapping.toml"]
    assert ("transducer_mhz", "180", "above_maximum") in [row[2:] for row in mine]
    assert ("rater_id", "", "required_missing") in [row[2:] for row in mine]
    lines = MAPPING.split("\n")
    assert all("[[rows." in lines[row[1] - 1] for row in mine)
