"""What goes into a release, and what must not."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pandas as pd
import pytest

from cohortkit.cohort.flow import content
from cohortkit.cohort.identity import CODED, IdCoding
from cohortkit.cohort.manifest import FILES
from cohortkit.cohort.parquet import from_parquet_bytes
from cohortkit.cohort.pooling import pool
from cohortkit.cohort.release_parts import build_parts
from cohortkit.cohort.row_keys import row_keys
from cohortkit.errors import ReleaseError
from cohortkit.tables.canonical import from_csv_bytes, to_csv_bytes
from cohortkit.tables.schema import TABLE_NAMES
from tests.cohort.clinics import clinic, small, small_rows, with_problems

WARNED = {"source": "scans", "file": "scans.csv", "severity": "warning"}


@pytest.fixture(scope="module")
def pooled():
    """Two clinics with a person in common, a rule's warning and a record's warning."""
    one, two = small_rows("S01", 4, 1), small_rows("S02", 4, 1)
    two["participants"][1] = {
        **one["participants"][1], "participant_id": "S02-P001", "site_id": "S02",
    }  # fmt: skip
    loaded = next(r for r in two["readings"] if r["load"] == "loaded")
    loaded["gap_mm"] = 8.5
    second = with_problems(
        clinic("S02", two),
        {**WARNED, "line": 3, "code": "date_order_doubtful"},
        {"source": "scans", "file": "scans.csv", "line": 99, "code": "unknown_code", "severity": "refuse"},
        refused=1,
    )  # fmt: skip
    return pool([clinic("S01", one, blank=2), second])


@pytest.fixture(scope="module", params=["random", "hmac"])
def parts(request, pooled, tmp_path_factory):
    return build_parts(
        pooled, IdCoding.open(request.param, tmp_path_factory.mktemp("ids") / "secret")
    )


def rows(parts, name):
    return list(csv.DictReader(io.StringIO(parts.files[name].decode("utf-8"), newline="")))


def test_all_files_are_made_and_no_other(parts):
    assert set(parts.files) == set(FILES)


def test_every_row_of_the_pool_is_in_the_release(pooled, parts):
    for name in TABLE_NAMES:
        frame = from_csv_bytes(parts.files[f"tables/{name}.csv"], name)
        assert len(frame) == len(pooled.tables[name]) == parts.rows[name]
        plain = [c for c in frame.columns if c not in CODED]
        sort = {"by": plain, "kind": "stable", "ignore_index": True}
        pd.testing.assert_frame_equal(
            frame[plain].sort_values(**sort), pooled.tables[name][plain].sort_values(**sort)
        )


def test_every_row_has_its_provenance_and_every_provenance_its_row(pooled, parts):
    provenance = pd.DataFrame(rows(parts, "provenance.csv"))
    assert len(provenance) == len(pooled.provenance)
    for name in TABLE_NAMES:
        frame = from_csv_bytes(parts.files[f"tables/{name}.csv"], name)
        own = provenance.loc[provenance["table"] == name, "key"]
        assert set(own) == set(row_keys(frame, name))


def test_provenance_leads_back_to_the_row_it_says(pooled, tmp_path):
    ids = IdCoding.open("hmac", tmp_path / "key")
    coded = build_parts(pooled, ids)
    provenance = pd.DataFrame(rows(coded, "provenance.csv"))
    scans = from_csv_bytes(coded.files["tables/scans.csv"], "scans").set_index("scan_id")
    plain = pooled.tables["scans"].set_index("scan_id")
    for line in pooled.provenance[pooled.provenance["table"] == "scans"].itertuples():
        same = provenance[
            (provenance["table"] == "scans")
            & (provenance["site_id"] == line.site_id)
            & (provenance["line"] == str(line.line))
        ]
        code = same["key"].iloc[0]
        assert (
            scans.loc[code, ["side", "digit"]].tolist()
            == plain.loc[line.key, ["side", "digit"]].tolist()
        )


def test_provenance_as_parquet_says_the_same(parts):
    frame = from_parquet_bytes(parts.files["provenance.parquet"], "provenance")
    assert to_csv_bytes(frame) == parts.files["provenance.csv"]


def test_no_id_file_name_or_sheet_is_in_any_file(pooled, parts):
    ids = {
        own
        for frame in pooled.tables.values()
        for column in frame.columns
        if column in CODED
        for own in frame[column].dropna()
    }
    assert len(ids) > 100
    for name, data in parts.files.items():
        if name.endswith(".parquet"):
            stem = name.removesuffix(".parquet")
            frame = from_parquet_bytes(data, stem)
            cells = {v for c in frame.columns for v in frame[c].dropna() if isinstance(v, str)}
        else:
            text = data.decode("utf-8")
            cells = {cell for line in csv.reader(io.StringIO(text)) for cell in line}
            assert ".csv" not in text or name == "datapackage.json"
        words = {part for cell in cells for part in cell.split("|")}
        assert not words & ids, name


def test_the_flow_goes_from_records_to_released_rows(pooled, parts):
    flow = pd.DataFrame(rows(parts, "flow.csv")).astype({"n": int})
    records = flow[flow["unit"] == "records"].groupby("step")["n"].sum()
    assert records["read"] == records["accepted"] + records["refused"] + records["blank"]
    assert records["accepted"] == len(pooled.provenance)  # planted truth: one row per record
    for unit in ("participants", "fingers", "episodes", "scans", "readings"):
        n = flow[flow["unit"] == unit].groupby("step")["n"].sum()
        assert n["pooled"] == n["released"]
    held = {
        u: sum(r[3] for r in content(pooled.tables, "x") if r[2] == u)
        for u in ("readings", "scans")
    }
    assert held == {"readings": parts.rows["readings"], "scans": parts.rows["scans"]}


def test_problems_are_counted_by_code(parts):
    assert rows(parts, "refusals.csv") == [
        {"site_id": "S02", "source": "scans", "code": "date_order_doubtful", "severity": "warning", "n": "1"},
        {"site_id": "S02", "source": "scans", "code": "unknown_code", "severity": "refuse", "n": "1"},
    ]  # fmt: skip


def test_warnings_of_refused_records_are_not_counted(tmp_path):
    told = {"source": "scans", "file": "scans.csv"}
    warned = {**told, "code": "read_no_consecutive", "severity": "warning"}
    intake = with_problems(
        small("S01", 4),
        {**told, "line": 90, "code": "unknown_code", "severity": "refuse"},
        {**warned, "line": 90},
        {**warned, "line": 2},
        refused=1,
    )
    parts = build_parts(pool([intake]), IdCoding.open("hmac", tmp_path / "key"))
    assert [(r["code"], r["n"]) for r in rows(parts, "refusals.csv")] == [
        ("read_no_consecutive", "1"),
        ("unknown_code", "1"),
    ]


def test_warnings_name_rows_by_their_codes(parts):
    found = rows(parts, "warnings.csv")
    assert [(w["table"], w["site_id"], w["code"]) for w in found] == [
        ("readings", "S02", "gap_at_most_8_mm"),
        ("readings", "S02", "reading_not_tenfold"),
        ("scans", "S02", "date_order_doubtful"),
    ]
    assert found[0]["key"] == found[1]["key"]
    readings = from_csv_bytes(parts.files["tables/readings.csv"], "readings")
    large = readings.set_index("reading_id").loc[found[0]["key"], "gap_mm"]
    assert large == 8.5
    assert found[2]["key"] in set(
        from_csv_bytes(parts.files["tables/scans.csv"], "scans")["scan_id"]
    )


def test_same_person_candidates_carry_codes(parts):
    people = from_csv_bytes(parts.files["tables/participants.csv"], "participants")
    pairs = rows(parts, "duplicates.csv")
    assert len(pairs) >= 1
    for pair in pairs:
        for k in "12":
            at = people[people["participant_id"] == pair[f"participant_id_{k}"]]
            assert at["site_id"].tolist() == [pair[f"site_id_{k}"]]


def test_rows_do_not_stand_in_the_clinics_order(parts, pooled):
    ages = from_csv_bytes(parts.files["tables/participants.csv"], "participants")["age_years"]
    assert ages.tolist() != pooled.tables["participants"]["age_years"].tolist()


@pytest.mark.parametrize("change", ["row", "provenance"])
def test_rows_and_provenance_that_do_not_match_stop_the_freeze(pooled, tmp_path, change):
    if change == "row":
        visits = pooled.tables["visits"].iloc[1:].reset_index(drop=True)
        pooled = replace(pooled, tables={**pooled.tables, "visits": visits})
        told = "0 rows without provenance, 1 lines"
    else:
        last = pooled.provenance["table"] != "visits"
        pooled = replace(pooled, provenance=pooled.provenance[last])
        told = "rows without provenance, 0 lines"
    with pytest.raises(ReleaseError, match=told):
        build_parts(pooled, IdCoding.open("hmac", tmp_path / "key"))


def test_a_clinic_without_participants_can_be_part(tmp_path):
    rows_ = small_rows("S02", 0, 1)
    coded = build_parts(
        pool([small("S01", 2), clinic("S02", rows_)]), IdCoding.open("hmac", tmp_path / "key")
    )
    assert coded.rows["participants"] == 2
    assert coded.sites == ("S01", "S02")
