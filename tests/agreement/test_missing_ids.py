"""A reading that does not say whose it is stops an estimator, or is dropped and counted."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit.agreement.shared_rows import asked
from cohortkit.errors import TableError
from tests.agreement.asked import EVERY, table_for

IDS = ("rater_id", "participant_id", "scan_id")


def with_a_row_of_nobody(name: str, column: str) -> pd.DataFrame:
    """One more row, of another participant, without that id."""
    data = table_for(name)
    more = data.iloc[[0]].assign(
        participant_id="new", finger_id="new", scan_id="new", gap_mm=9.9, read_no=1
    )
    return pd.concat([data, more.assign(**{column: None})], ignore_index=True)


@pytest.mark.parametrize("column", IDS)
@pytest.mark.parametrize("name", EVERY)
def test_a_row_without_an_id_stops(name, column):
    with pytest.raises(TableError, match="missing"):
        EVERY[name](with_a_row_of_nobody(name, column))


@pytest.mark.parametrize("column", IDS)
@pytest.mark.parametrize("name", EVERY)
def test_a_row_without_an_id_is_dropped_and_counted(name, column):
    whole = EVERY[name](table_for(name))
    found = EVERY[name](with_a_row_of_nobody(name, column), missing="drop")
    more = {c.code: c.message for c in found.cautions if c not in whole.cautions}
    assert "left_out" in more
    assert "1" in more["left_out"]  # by hand: one row was added
    assert len(more) == 1
    for one, other in zip(found, whole, strict=True):
        assert one.value == pytest.approx(other.value, rel=1e-9, abs=1e-12, nan_ok=True)
        assert one.n_readings == other.n_readings


@pytest.mark.parametrize("name", [name for name in EVERY if name.endswith(", named")])
def test_rows_of_others_are_nobodys_business(name):
    data = table_for(name)
    other = data[data["rater_id"] == "a"].assign(rater_id="c", gap_mm=None, size=None)
    found = EVERY[name](pd.concat([data, other], ignore_index=True))
    assert [e.value for e in found] == [e.value for e in EVERY[name](data)]
    assert "left_out" not in {c.code for c in found.cautions}


def test_asked_keeps_those_named_and_those_who_name_none():
    rows = pd.DataFrame({"rater": ["a", None, "c", "b"], "value": [1, 2, 3, 4]})
    kept = asked(rows, "rater", ("b", "a"))
    # by hand: c was not asked about
    assert kept["value"].tolist() == [1, 2, 4]
    assert kept.index.tolist() == [0, 1, 2]
