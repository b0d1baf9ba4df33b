"""Which components a design can tell apart."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit.agreement.facets import ORDER, facets
from cohortkit.errors import EstimateError, TableError
from tests.agreement.multisite import readings

COLUMNS = {
    "value": "gap_mm", "participant": "participant_id", "finger": "finger_id", "scan": "scan_id",
    "rater": "rater_id", "site": "site_id", "rater_site": "rater_site_id",
}  # fmt: skip


def found(table, **other):
    return facets(table, COLUMNS | other, "stop", "natural")


def reasons(result):
    return result.left_out.set_index("component")["reason"].to_dict()


def test_a_full_design_tells_everything():
    result = found(readings())
    assert result.factors == ORDER
    assert result.left_out.empty
    assert (result.repeats, result.plain, result.new_site) == (True, True, True)
    # by hand: 24 people, 2 fingers each, 2 scans, 6 raters, 2 readings
    assert result.counts == {
        "n_participants": 24,
        "n_fingers": 48,
        "n_readings": 24 * 2 * 2 * 6 * 2,
    }
    assert result.contrasts == 5


def test_raters_nested_in_sites():
    result = found(readings(crossed=False))
    assert "not separable" in reasons(result)["rater_site"]
    assert (result.plain, result.new_site) == (True, False)
    assert "stored clips" in result.no_new_site
    assert result.contrasts == 3  # by hand: one pair in each of 3 sites


def test_nested_raters_without_a_site_column_are_refused():
    with pytest.raises(EstimateError, match="form groups that share no scan"):
        found(readings(crossed=False), site=None, rater_site=None)


def test_one_rater_of_each_site_holds_its_site():
    result = found(readings(raters_a_site=1))
    assert (result.plain, result.new_site) == (False, True)
    assert "'rater' and 'rater_site' are not separable" in reasons(result)["rater_site"]


def test_a_role_that_doubles_another_is_left_out_with_the_reason():
    result = found(readings(fingers=1, scans=1, reads=1))
    why = reasons(result)
    assert "'participant' and 'finger'" in why["finger"]
    assert "'participant' and 'scan'" in why["scan"]
    assert "residual variance are not separable" in why["subject_rater"]
    assert not result.repeats


def test_one_rater_only():
    table = readings(sites=1, raters_a_site=1)
    result = found(table, site=None, rater_site=None)
    assert result.repeats
    assert result.factors == ("participant", "finger", "scan")
    assert "no scan was read by two raters" in reasons(result)["rater"]


def test_nothing_read_twice_is_refused():
    with pytest.raises(EstimateError, match="No scan was read twice"):
        found(readings(sites=1, raters_a_site=1, reads=1))


def test_ids_need_only_be_unique_within_what_they_lie_in():
    table = readings()
    reused = table.assign(finger_id=table["finger_id"].str[-1], scan_id=table["scan_id"].str[-1])
    a, b = found(table), found(reused)
    for role in ORDER:
        assert a.rows[role].nunique() == b.rows[role].nunique()


def test_missing_values_and_unseen_gaps_stop_or_are_counted():
    table = readings()
    table.loc[3, "gap_mm"] = None
    with pytest.raises(TableError, match="Values are missing"):
        found(table)
    unseen = table.assign(below_resolution=table["gap_mm"].isna())
    with pytest.raises(TableError, match="unknown, not zero"):
        found(unseen)
    kept = facets(unseen, COLUMNS, "drop", "natural")
    assert kept.counts["n_readings"] == len(table) - 1
    assert {c.code for c in kept.cautions} == {"left_out", "below_resolution"}


def test_the_log_scale_needs_values_above_zero():
    table = readings()
    table.loc[0, "gap_mm"] = 0.0
    with pytest.raises(TableError, match="needs values above zero"):
        facets(table, COLUMNS, "stop", "log")


def test_mixed_rows_are_told():
    table = readings().assign(injured=lambda t: t["participant_id"] == "p1", reads_averaged=3)
    codes = {c.code for c in found(table).cautions}
    assert codes == {"reads_averaged", "injured_and_intact_mixed"}


def test_means_among_single_readings_are_refused():
    table = readings().assign(reads_averaged=1)
    table.loc[0, "reads_averaged"] = 3
    with pytest.raises(EstimateError, match="column 'reads_averaged'"):
        found(table)
    assert found(table.drop(columns="reads_averaged")).counts["n_readings"] == len(table)


def test_row_order_and_names_change_nothing():
    table = readings()
    shuffled = table.sample(frac=1, random_state=1)
    renamed = shuffled.assign(rater_id="x" + shuffled["rater_id"])
    assert found(renamed).factors == found(table).factors
    pd.testing.assert_frame_equal(found(renamed).left_out, found(table).left_out)


def test_one_rater_code_at_two_sites_stops():
    rows = pd.DataFrame(
        [
            (1.0 + 0.1 * p + 0.01 * r + 0.003 * k, f"S{s}-p{p}", f"S{s}-p{p}", f"r{r}", f"S{s}")
            for s in range(2)
            for p in range(6)
            for r in range(2)
            for k in range(2)
        ],
        columns=["value", "participant", "scan", "rater", "site"],
    )
    rows["rater_site"] = rows["site"]
    columns = {name: name for name in rows.columns}
    with pytest.raises(EstimateError, match="one person, who works at one site") as stop:
        facets(rows, columns, "stop", "natural")
    # by hand: r0 and r1 at both sites
    assert "raters with several sites: 2; the first is 'r0', with 2 sites" in str(stop.value)
    own = rows.assign(rater=rows["site"] + rows["rater"])
    assert facets(own, columns, "stop", "natural").rater_sites == 2
    wrong = own.assign(site=own["site"].where(own.index != 3, "S1"))
    with pytest.raises(EstimateError, match=r"A scan is made at one site.*'S0-p0', with 2 sites"):
        facets(wrong, columns, "stop", "natural")
    # one person who reads at both sites is a matter of saying so
    facets(rows, columns | {"rater_site": None}, "stop", "natural")
