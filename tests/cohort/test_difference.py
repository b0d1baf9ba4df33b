"""What changed between two releases."""

from __future__ import annotations

import json

import pytest

from cohortkit.cohort.difference import diff
from cohortkit.cohort.identity import IdCoding, code_tables, id_names
from cohortkit.cohort.pooling import pool
from cohortkit.cohort.release import freeze
from tests.cohort.clinics import clinic, small, small_rows


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return tmp_path_factory.mktemp("diff")


@pytest.fixture(scope="module")
def ids(place):
    (place / "keys").mkdir()
    return IdCoding.open("hmac", place / "keys" / "key")


@pytest.fixture(scope="module")
def old(place, ids):
    return freeze(pool([small("S01", 12)]), place / "old", ids=ids)


@pytest.fixture(scope="module")
def changed_rows():
    """One age corrected, one reading gone, one person with nothing else added."""
    rows = small_rows("S01", 12, 1)
    rows["participants"][0]["age_years"] += 1
    rows["participants"][0]["dominant_side"] = None
    rows["readings"].pop(5)
    rows["participants"].append({**rows["participants"][1], "participant_id": "S01-NEW"})
    return rows


@pytest.fixture(scope="module")
def new(place, ids, changed_rows):
    return freeze(pool([clinic("S01", changed_rows)]), place / "new", ids=ids)


@pytest.fixture(scope="module")
def codes(ids, changed_rows):
    tables = pool([clinic("S01", changed_rows)]).tables
    both = dict(tables)
    both["readings"] = small("S01", 12).tables["readings"]
    return code_tables(both, ids.codes(id_names(both)))[1]


def test_a_release_does_not_differ_from_itself(old):
    found = diff(old, old)
    assert found.same
    assert found.rows.empty
    assert found.flow.empty
    assert found.cautions == ()
    assert found.lines()[0] == "same data"


def test_tables_say_how_many_rows_came_went_and_changed(old, new):
    found = diff(old, new)
    counts = found.tables.set_index("table")
    columns = ["rows_old", "rows_new", "added", "removed", "changed"]
    assert not found.same
    assert counts.loc["participants", columns].tolist() == [12, 13, 1, 0, 1]
    assert counts.loc["readings", columns].tolist() == [120, 119, 0, 1, 0]
    others = counts.drop(["participants", "readings"])
    assert (others[["added", "removed", "changed"]] == 0).all(axis=None)


def test_rows_are_named_by_key_and_column_with_both_values(old, new, codes):
    rows = diff(old, new).rows.astype(object).where(lambda f: f.notna(), None)
    first = old.tables["participants"].set_index("participant_id")
    code = codes["participant"]["S01-P000"]
    age, side = first.loc[code, ["age_years", "dominant_side"]]
    gone = codes["reading"][small("S01", 12).tables["readings"]["reading_id"].iloc[5]]
    assert sorted(map(tuple, rows.to_numpy()), key=str) == sorted(
        [
            ("participants", code, "changed", "age_years", str(age), str(age + 1)),
            ("participants", code, "changed", "dominant_side", side, ""),
            ("participants", codes["participant"]["S01-NEW"], "added", None, None, None),
            ("readings", gone, "removed", None, None, None),
        ],
        key=str,
    )


def test_the_flow_tells_only_counts_that_differ(old, new):
    flow = diff(old, new).flow
    assert (flow["old"] != flow["new"]).all()
    released = flow[flow["step"] == "released"].set_index("unit")
    assert released.loc["participants", ["old", "new"]].tolist() == [12, 13]
    assert released.loc["readings", ["old", "new"]].tolist() == [120, 119]


def test_versions_hold_hashes_schema_and_software(old, new):
    versions = diff(old, new).versions.set_index("what")
    assert versions.loc["release_hash", "old"] == old.release_hash
    assert versions.loc["release_hash", "new"] == new.release_hash
    assert {"schema_version", "identity", "cohortkit", "pandas", "pyarrow"} <= set(versions.index)


def test_backwards_what_came_is_what_went(old, new):
    there, back = diff(old, new).tables, diff(new, old).tables
    assert there["added"].tolist() == back["removed"].tolist()
    assert there["removed"].tolist() == back["added"].tolist()


def test_a_difference_of_few_participants_carries_a_caution(old, new):
    (caution,) = diff(old, new).cautions
    assert "differ by 1 participants" in caution


def test_another_key_carries_a_caution(old, place):
    other = IdCoding.open("hmac", place / "keys" / "other")
    found = diff(old, freeze(pool([small("S01", 12)]), place / "other", ids=other))
    assert "no participant code" in found.cautions[0]
    assert found.tables["added"].tolist() == [0, *found.tables["rows_new"].tolist()[1:]]
    assert found.lines()[-1].startswith("Caution: ")
    assert "more lines" in "\n".join(found.lines())


def test_the_answer_is_plain_data(old, new):
    told = json.loads(json.dumps(diff(old, new).to_dict()))
    assert set(told) == {"same", "cautions", "versions", "tables", "rows", "flow"}
    assert told["tables"][3]["table"] == "participants"
