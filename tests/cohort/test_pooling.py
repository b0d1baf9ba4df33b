"""Joining clinics: nothing lost, nothing merged, every clash named."""

from __future__ import annotations

from itertools import permutations

import pandas as pd
import pytest

from cohortkit.cohort.pooling import pool
from cohortkit.errors import PoolingError
from cohortkit.tables.canonical import to_csv_bytes
from cohortkit.tables.schema import TABLE_NAMES, table
from tests.cohort.clinics import clinic, small, small_rows, two_clinics, with_problems

SITE = {"country": "AT", "setting": "private_practice"}


def bytes_of(pooled):
    return {name: to_csv_bytes(pooled.tables[name], name) for name in TABLE_NAMES}


def test_all_rows_of_all_clinics_are_there():
    clinics = [small("S01"), small("S02", people=3)]
    pooled = pool(clinics)
    for name in TABLE_NAMES:
        wanted = pd.concat([c.tables[name] for c in clinics], ignore_index=True)
        assert to_csv_bytes(pooled.tables[name], name) == to_csv_bytes(wanted, name)
    assert len(pooled.provenance) == sum(len(c.provenance) for c in clinics)
    assert len(pooled.counts) == sum(len(c.counts) for c in clinics)


def test_the_order_of_clinics_does_not_matter():
    clinics = [small("S01", 3), small("S02", 3), small("S03", 3)]
    pools = [pool(order) for order in list(permutations(clinics))[::2]]
    first = pools[0]
    for other in pools[1:]:
        assert bytes_of(other) == bytes_of(first)
        for part in ("provenance", "problems", "counts", "duplicates", "flow"):
            assert getattr(other, part).equals(getattr(first, part))


def test_no_clinic_is_an_error():
    with pytest.raises(PoolingError, match="no clinic"):
        pool([])


def test_a_clinic_given_twice_is_an_error():
    with pytest.raises(PoolingError, match="site S01"):
        pool([small("S01"), small("S01", seed=2)])


@pytest.mark.parametrize("name", [n for n in TABLE_NAMES if n != "sites"])
def test_ids_in_two_clinics_are_all_listed_with_file_and_line(name):
    ours, theirs = small("S01", 4), small("S02", 4)
    stolen = theirs.tables[name].copy()
    key = list(table(name).primary_key)
    stolen[key] = ours.tables[name][key].iloc[: len(stolen)].to_numpy()
    theirs.tables[name] = stolen.astype(theirs.tables[name].dtypes.to_dict())
    clash = theirs.provenance["table"] == name
    theirs.provenance.loc[clash, "key"] = ours.provenance.loc[clash, "key"]
    with pytest.raises(PoolingError) as caught:
        pool([ours, theirs])
    keys = ours.provenance.loc[ours.provenance["table"] == name, "key"]
    assert f"{len(keys)} ids of table '{name}'" in str(caught.value)
    for line, own in enumerate(keys, start=2):
        wanted = (
            f"'{own}' in site S01, {name}.csv, line {line} and site S02, {name}.csv, line {line}"
        )
        assert wanted in caught.value.where


def both_sites(site: str, people: int = 2) -> dict:
    rows = small_rows(site, people, 1)
    return rows | {"sites": [{"site_id": s, **SITE} for s in ("S01", "S02")]}


def test_a_rater_who_reads_for_another_clinic_is_named_by_both():
    rows = both_sites("S02")
    rows["raters"].append({"rater_id": "S01-R1", "site_id": "S01", "discipline": "radiology"})
    rows["readings"].append({**rows["readings"][0], "reading_id": "x", "rater_id": "S01-R1"})
    pooled = pool([small("S01", 2), clinic("S02", rows)])
    assert pooled.tables["raters"]["rater_id"].tolist() == ["S01-R1", "S01-R2", "S02-R1", "S02-R2"]
    assert pooled.tables["sites"]["site_id"].tolist() == ["S01", "S02"]
    told = pooled.provenance[pooled.provenance["key"] == "S01-R1"]
    assert sorted(told["site_id"]) == ["S01", "S02"]


def test_a_rater_whom_two_clinics_describe_differently_is_refused():
    rows = both_sites("S02")
    rows["raters"].append({"rater_id": "S01-R1", "site_id": "S01", "discipline": "sonography"})
    with pytest.raises(PoolingError, match="1 ids of table 'raters'"):
        pool([small("S01", 2), clinic("S02", rows)])


def test_equal_rows_that_each_clinic_calls_its_own_are_refused():
    one = small_rows("S01", 2, 1)
    two = small_rows("S02", 2, 1)
    two["participants"][0] = one["participants"][0]
    with pytest.raises(PoolingError, match="table 'participants'"):
        pool([clinic("S01", one), clinic("S02", two)])


def injured_at_another_clinic() -> tuple[dict, dict]:
    """Rows of S01, and of S02 with an episode of a person of S01."""
    ours, theirs = small_rows("S01", 2, 1), small_rows("S02", 2, 1)
    theirs["episodes"][0]["participant_id"] = "S01-P000"
    theirs["scans"] = [s for s in theirs["scans"] if s["episode_id"] is None]
    kept = {s["scan_id"] for s in theirs["scans"]}
    theirs["readings"] = [r for r in theirs["readings"] if r["scan_id"] in kept]
    return ours, theirs


def test_a_rule_broken_only_between_clinics_stops_the_pool_with_its_place():
    ours, theirs = injured_at_another_clinic()
    wrong = {**ours["scans"][-1], "scan_id": "S01-X", "episode_id": "S02-E001", "side": "right"}
    ours["scans"].append(wrong)
    with pytest.raises(PoolingError, match="1 rows break a rule") as caught:
        pool([clinic("S01", ours), clinic("S02", theirs)])
    assert "scan_finger_is_episode_finger" in caught.value.where
    line = len(ours["scans"]) + 1
    assert f"'S01-X' in site S01, scans.csv, line {line}" in caught.value.where


def test_a_warning_that_only_the_pool_shows_is_added_with_its_place():
    ours, theirs = injured_at_another_clinic()
    hurt = {**theirs["episodes"][0], "episode_id": "S01-E9"}
    ours["episodes"].append(hurt)
    ours["tears"].append({"episode_id": "S01-E9", "pulley": "A2", "status": "none", "basis": "mri"})
    problems = pool([clinic("S01", ours), clinic("S02", theirs)]).problems
    found = problems[problems["code"] == "episode_not_entered_twice"]
    assert found[["site_id", "file", "line", "severity"]].values.tolist() == [
        ["S01", "episodes.csv", len(ours["episodes"]) + 1, "warning"],
        ["S02", "episodes.csv", 2, "warning"],
    ]


def test_problems_of_the_clinics_are_kept_as_they_are():
    warned = with_problems(
        small("S02"),
        {"source": "scans", "file": "scans.csv", "line": 3, "code": "x", "severity": "warning"},
    )
    pooled = pool([small("S01"), warned])
    assert pooled.problems[["site_id", "line", "code"]].values.tolist() == [["S02", 3, "x"]]


def test_same_person_candidates_are_listed_and_never_merged():
    one, two = small_rows("S01", 4, 1), small_rows("S02", 4, 1)
    twin = {**one["participants"][1], "participant_id": "S02-P001", "site_id": "S02"}
    two["participants"][1] = twin
    pooled = pool([clinic("S01", one), clinic("S02", two)])
    pairs = pooled.duplicates[["participant_id_1", "participant_id_2"]].values.tolist()
    assert ["S01-P001", "S02-P001"] in pairs
    assert len(pooled.tables["participants"]) == 8


def test_the_pool_of_two_clinics_is_clean():
    assert two_clinics().problems.empty
