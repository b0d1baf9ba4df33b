"""An opened release: lazy, checked when read, not to be changed in memory."""

from __future__ import annotations

import inspect

import pandas as pd
import pytest

from cohortkit.cohort import analysis_sets
from cohortkit.cohort.frozen_release import Release
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.release import freeze, open_release
from cohortkit.errors import ArgumentError, IntegrityError
from cohortkit.tables.conversion import DTYPES
from cohortkit.tables.schema import TABLE_NAMES, table
from tests.cohort.clinics import two_clinics


@pytest.fixture
def release(tmp_path):
    return freeze(two_clinics(3), tmp_path / "r", ids=IdCoding.open("hmac", tmp_path / "key"))


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_tables_come_typed_and_in_the_formats_order(release, name):
    frame = release.tables[name]
    assert tuple(frame.columns) == table(name).column_names
    for field in table(name).fields:
        assert str(frame[field.name].dtype).startswith(DTYPES[field.type])
    assert frame.index.equals(pd.RangeIndex(len(frame)))
    assert len(frame) == release.manifest["tables"][name]["rows"]


def test_tables_are_a_mapping_of_the_ten(release):
    assert list(release.tables) == list(TABLE_NAMES)
    assert len(release.tables) == 10
    assert "scans" in release.tables
    with pytest.raises(KeyError):
        release.tables["persons"]


def test_a_table_is_read_when_asked_for_and_checked_then(release):
    opened = open_release(release.path, check=False)
    path = release.path / "tables/scans.parquet"
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    assert len(opened.tables["visits"])
    with pytest.raises(IntegrityError, match=r"scans\.parquet"):
        opened.tables["scans"]


def test_a_missing_side_table_is_an_error_that_names_it(release):
    (release.path / "flow.csv").unlink()
    with pytest.raises(IntegrityError, match=r"flow\.csv.*missing"):
        _ = release.flow


def test_what_is_handed_out_can_be_changed_without_changing_the_release(release):
    handed_out = release.tables["readings"]
    handed_out["gap_mm"] = 0.0
    assert (release.tables["readings"]["gap_mm"] > 0).all()


def test_names_of_the_data(release):
    assert len(release.release_hash) == 64
    assert release.label == release.release_hash[:12]
    assert release.label in repr(release)
    assert "6 participants" in repr(release)
    assert release.sites == ("S01", "S02")
    assert release.schema_version == release.manifest["schema_version"]


def test_side_tables_are_typed(release):
    assert str(release.flow["n"].dtype) == "Int64"
    assert release.flow["reason"].notna().all()
    assert str(release.duplicates["evidence_bits"].dtype) == "float64"
    assert release.refusals.columns.tolist() == ["site_id", "source", "code", "severity", "n"]
    assert release.warnings.columns.tolist() == ["table", "key", "site_id", "code"]
    assert str(release.provenance["line"].dtype) == "Int64"
    with pytest.raises(ArgumentError):
        release.side_table("provenance")


@pytest.mark.parametrize("name", ["readings", "reference_population", "graded_tears", "outcomes"])
def test_analysis_sets_are_methods_with_their_own_signature(release, name):
    ours = inspect.signature(getattr(release, name))
    theirs = inspect.signature(getattr(analysis_sets, name))
    assert list(ours.parameters) == list(theirs.parameters)[1:]
    assert getattr(Release, name).__doc__


def test_a_set_names_its_release(release):
    found = release.readings(pulley="A2", load="rest")
    assert found.settings["release_hash"] == release.release_hash
    assert len(found) == len(found.rows) > 0
