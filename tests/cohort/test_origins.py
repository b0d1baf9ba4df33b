"""From a row back to the clinic's line, without the row's own id."""

from __future__ import annotations

import pandas as pd

from cohortkit.cohort.origins import record_place, row_origin
from tests.cohort.clinics import two_clinics


def test_a_row_that_provenance_does_not_know_has_no_place():
    pooled = two_clinics(2)
    assert row_origin(pooled.tables["scans"], "scans", pooled.provenance.iloc[:0], 0) == ""


def test_a_row_that_several_records_made_names_the_first_three():
    pooled = two_clinics()
    own = pooled.provenance[pooled.provenance["table"] == "scans"].iloc[[0]]
    more = pd.concat([pooled.provenance, *(own.assign(line=n) for n in range(90, 95))])
    scans = pooled.tables["scans"]
    row = int((scans["scan_id"] == own["key"].iloc[0]).to_numpy().argmax())
    assert row_origin(scans, "scans", more, row).endswith("line 90 and "
        "site S01, file 'scans.csv', line 91 and 3 more")  # fmt: skip


def test_a_sheet_is_part_of_the_place():
    record = {"site_id": "S03", "file": "r.xlsx", "sheet": "Scans", "line": 7}
    assert record_place(record) == "site S03, file 'r.xlsx', sheet 'Scans', line 7"
    assert record_place({"site_id": pd.NA, "sheet": None, "line": 7}) == "line 7"
