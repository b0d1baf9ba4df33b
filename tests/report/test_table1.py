from types import SimpleNamespace

import pandas as pd
import pytest

from cohortkit.report.plan import read_plan
from cohortkit.report.table1 import table1
from cohortkit.tables.schema import table, typed


def people_release(n=40, injured=15, **columns):
    people = pd.DataFrame(
        {
            "participant_id": [f"p{i:02d}" for i in range(n)],
            "site_id": ["S01", "S02"] * (n // 2),
            "sex": "female",
            "age_years": [20 + i for i in range(n)],
        }
        | columns
    )
    for name in table("participants").column_names:
        if name not in people:
            people[name] = None
    episodes = pd.DataFrame({"participant_id": [f"p{i:02d}" for i in range(injured)]})
    return SimpleNamespace(
        tables={"participants": typed(people, "participants"), "episodes": episodes}
    )


def rows(frame, variable):
    return frame[frame["variable"].str.startswith(variable)].set_index("level")


def test_groups_are_counted_and_described():
    found = table1(people_release(), read_plan())
    assert rows(found, "Participants").loc["", ["injured", "uninjured"]].tolist() == ["15", "25"]
    age = rows(found, "Age").loc["median (quartiles)", "injured"]
    assert age == "27.0 (23.5 to 30.5)"  # by hand: ages 20 to 34, quartiles at ranks 4.5 and 11.5
    assert rows(found, "Sex").loc["missing", "injured"] == "0"


def test_missing_values_are_counted_not_filled():
    height = [None] * 10 + [180] * 30
    found = table1(people_release(height_cm=height), read_plan())
    assert rows(found, "Height").loc["recorded", ["injured", "uninjured"]].tolist() == ["5", "25"]
    assert rows(found, "Height").loc["missing", "injured"] == "10"


def test_small_counts_and_what_tells_them_are_hidden():
    sex = ["male"] * 3 + ["female"] * 37
    found = rows(table1(people_release(sex=sex), read_plan()), "Sex")
    assert found.loc["stated as male", "injured"] == "hidden"
    assert found.loc["stated as female", "injured"] == "hidden"
    assert found.loc["stated as female", "uninjured"] == "25"
    assert "all" not in found.columns


def test_quartiles_of_few_people_are_hidden():
    height = [180] * 3 + [None] * 37
    found = rows(table1(people_release(height_cm=height), read_plan()), "Height")
    assert found.loc["median (quartiles)", "injured"] == "hidden"
    assert found.loc["median (quartiles)", "uninjured"] == "no values"


@pytest.mark.parametrize("injured", [0, 3, 38])
def test_a_tiny_group_is_not_told_apart(injured):
    found = table1(people_release(injured=injured), read_plan())
    assert list(found.columns) == ["variable", "level", "all"]
    assert rows(found, "Participants").loc["", "all"] == "40"


def test_every_number_on_the_invented_cohort_is_at_least_the_smallest(release_table1):
    counts = release_table1[release_table1["level"] != "median (quartiles)"]
    shown = pd.to_numeric(counts[["injured", "uninjured"]].stack(), errors="coerce").dropna()
    assert not ((shown > 0) & (shown < 5)).any()


@pytest.fixture
def release_table1(request):
    return table1(request.getfixturevalue("release"), read_plan())
