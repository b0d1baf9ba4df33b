"""Designs that carry no two-way form are refused with what to do instead."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import icc, limits_of_agreement, limits_with_mean
from cohortkit.agreement.crossing import Roles, crossed
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.agreement.reads import ONE_WAY, OWN, clinic_reads, invented, long

FORMAT = Roles("scan_id", "rater_id", "gap_mm", "participant_id")


def one_site():
    data = clinic_reads()
    return data[data["site_id"] == "S01"].reset_index(drop=True)


def codes(table):
    return {c.code for c in table.cautions}


def test_layout_puts_each_read_in_its_cell():
    data = one_site().sample(frac=1, random_state=2)
    table = crossed(data, FORMAT, "stop", raters=["R2", "R1"])
    assert table.raters == ["R2", "R1"]
    for i, scan in enumerate(table.subjects):
        for j, rater in enumerate(table.raters):
            cell = data[(data["scan_id"] == scan) & (data["rater_id"] == rater)]
            assert table.values[i, j] == cell["gap_mm"].iloc[0]
    assert table.participants == [s.replace("-", "-P") for s in table.subjects]
    assert table.n_fingers == 4


def test_raters_nested_in_sites_are_refused_by_name():
    with pytest.raises(EstimateError) as stop:
        icc(clinic_reads())
    text = str(stop.value)
    assert "cannot be told from one between sites" in text
    assert "site S01: raters R1, R2 (4 subjects)" in text
    assert "site S02: raters R3, R4 (4 subjects)" in text
    assert "limits_of_agreement" in text
    assert "ICC(1,1)" in text


def test_nesting_is_found_without_site_columns():
    data = clinic_reads().drop(columns=["site_id", "rater_site_id"])
    with pytest.raises(EstimateError, match="between the groups") as stop:
        icc(data, missing="drop")
    assert "raters R1, R2 (4 subjects); raters R3, R4 (4 subjects)" in str(stop.value)


def test_several_fingers_of_one_participant_are_refused():
    data = one_site()
    data.loc[data["scan_id"] == "S01-1", "participant_id"] = "S01-P0"
    for estimator in (icc, limits_of_agreement):
        with pytest.raises(EstimateError) as stop:
            estimator(data)
        assert "release.readings(one_finger_per_participant=True)" in str(stop.value)
        assert "limits_clustered" in str(stop.value)
        assert "1 of 3 participants have up to 2 subjects" in str(stop.value)
        stated = estimator(data, participant=None)
        assert stated.estimates[0].n_participants == 4


def test_several_scans_of_one_finger_are_refused_with_their_own_way_on():
    data = one_site()
    again = data[data["scan_id"] == "S01-1"].assign(scan_id="S01-1-follow-up")
    with pytest.raises(EstimateError, match="first by scan_day") as stop:
        icc(pd.concat([data, again]))
    assert "one finger scanned several times" in str(stop.value)
    assert "one_finger_per_participant" not in str(stop.value)


def test_a_subject_with_two_participants_is_a_fault_of_the_table():
    data = one_site()
    data.loc[0, "participant_id"] = "somebody"
    with pytest.raises(TableError, match="more than one participant"):
        icc(data)


def test_repeated_reads_are_refused_with_both_ways_out():
    data = pd.concat([one_site(), one_site().iloc[:1].assign(read_no=2)])
    with pytest.raises(EstimateError, match="read_no == 1") as stop:
        icc(data)
    assert all(name in str(stop.value) for name in ("limits_replicates", "repeatability"))
    assert len(icc(data[data["read_no"] == 1]).estimates) == 10


def test_incomplete_table_is_refused_then_counted_when_dropped():
    data = long(invented(6, 3)).drop(index=[0, 4])
    with pytest.raises(EstimateError, match="incomplete: 2 of 6 subjects"):
        icc(data, **OWN)
    result = icc(data, missing="drop", **OWN)
    assert result["icc_a_1"].n_participants == 4
    assert "lacked a read: 2" in next(c.message for c in result.cautions if c.code == "left_out")
    kept = data[data["subject"] > 1]
    assert result["icc_a_1"].value == icc(kept, **OWN)["icc_a_1"].value


def test_missing_value_stops_and_names_column_and_count():
    data = long(invented(6, 3))
    data.loc[[1, 7], "value"] = np.nan
    with pytest.raises(TableError, match=r"value \(2\)"):
        icc(data, **OWN)
    result = icc(data, missing="drop", **OWN)
    assert result["icc_a_1"].n_participants == 4
    assert next(c for c in result.cautions if c.code == "left_out").message.startswith(
        "Reads with a missing value, left out: 2;"
    )


def test_unseen_gaps_are_unknown_not_zero():
    data = one_site().astype({"below_resolution": "boolean"})
    data.loc[0, ["gap_mm", "below_resolution"]] = [np.nan, True]
    with pytest.raises(TableError, match="unknown, not zero") as stop:
        icc(data)
    assert "1 of 8 readings below resolution" in str(stop.value)
    table = crossed(data, FORMAT, "drop")
    assert {"left_out", "below_resolution"} <= codes(table)
    assert len(table.subjects) == 3


@pytest.mark.parametrize(
    ("column", "other"), [("pulley", "A4"), ("load", "loaded"), ("reads_averaged", 3)]
)
def test_different_quantities_are_never_pooled_unasked(column, other):
    data = one_site()
    data.loc[data["scan_id"] == "S01-0", column] = other
    with pytest.raises(EstimateError, match=f"column '{column}'"):
        icc(data)
    assert icc(data.drop(columns=column))["icc_a_1"].n_readings == 8


@pytest.mark.parametrize(
    ("column", "values", "code"),
    [
        ("reads_averaged", [3, 3], "reads_averaged"),
        ("injured", [True, False], "injured_and_intact_mixed"),
    ],
)
def test_mixed_tables_carry_a_caution(column, values, code):
    data = one_site()
    data[column] = np.resize(values, len(data))
    assert code in codes(crossed(data, FORMAT, "stop"))
    assert code not in codes(crossed(one_site(), FORMAT, "stop"))


@pytest.mark.parametrize("rows", [0, 1])
def test_too_little_to_compare(rows):
    with pytest.raises(EstimateError):
        icc(long(invented(2, 2)).iloc[:rows], **OWN)


def test_one_rater_is_pointed_to_the_one_way_form():
    with pytest.raises(EstimateError, match="two raters") as stop:
        icc(long(invented(6, 1)), **OWN)
    assert "rater=None" in str(stop.value)


def test_one_subject_is_too_few():
    for ask in (icc, limits_of_agreement, limits_with_mean):
        with pytest.raises(EstimateError, match="at least two subjects") as stop:
            ask(long(invented(1, 2)), **OWN)
        assert "rater=None" not in str(stop.value)


def test_all_values_missing():
    data = long(invented(3, 2)).assign(value=np.nan)
    with pytest.raises(TableError, match=r"value \(6\)"):
        icc(data, **OWN)
    with pytest.raises(EstimateError, match="no read to compare"):
        icc(data, missing="drop", **OWN)


def test_unequal_numbers_of_exchangeable_reads():
    data = long(invented(4, 3)).drop(index=2)
    with pytest.raises(EstimateError, match="different numbers of reads") as stop:
        icc(data, **ONE_WAY)
    assert "read_no <= 2" in str(stop.value)
    assert icc(data, missing="drop", **ONE_WAY)["icc_1_1"].n_participants == 3


def test_absent_column_is_named_with_its_argument():
    with pytest.raises(TableError, match="participant=") as stop:
        icc(one_site().drop(columns="participant_id"))
    assert "participant_id" in str(stop.value)


def test_text_among_the_values_is_named():
    data = long(invented(3, 2)).astype({"value": object})
    data.loc[2, "value"] = "n.d."
    with pytest.raises(TableError, match=r"n\.d\."):
        icc(data, **OWN)


@pytest.mark.parametrize("raters", [("r0",), ("r0", "r0"), "r0", ("r0", "r1", "r2")])
def test_limits_take_two_different_raters(raters):
    with pytest.raises(ArgumentError, match="two different raters"):
        limits_of_agreement(long(invented()), raters=raters, **OWN)
