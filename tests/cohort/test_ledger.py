"""Records numbered through all sources."""

from __future__ import annotations

from cohortkit.cohort.ledger import open_ledger
from cohortkit.cohort.mapping import read_mapping
from cohortkit.cohort.source_files import read_sources
from tests.cohort.clinic_files import SCANS, write_clinic


def test_numbers_places_and_cells(tmp_path):
    mapping = read_mapping(write_clinic(tmp_path))
    ledger = open_ledger(mapping, read_sources(mapping))
    # by hand: three people, six scans, four typed rows
    assert len(ledger) == 13
    assert ledger.first == [0, 3, 9]
    assert ledger.place(0) == "people.csv line 2"
    assert ledger.place(3) == "scans.csv line 2"
    assert ledger.place(9).startswith("mapping.toml line ")
    assert ledger.raw(3, ("ScanNr", "Last", "no such column")) == "s1 | 0,21"
    assert ledger.raw(9, ("site_id",)) == ""
    assert ledger.raw(8, ("ScanNr",)) == SCANS[-1].split(";")[0]
