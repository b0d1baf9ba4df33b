"""Which rows a threshold question takes, and what it says about the others."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from cohortkit import thresholds
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.thresholds.planted import table


def rows(n=24):
    """Invented gaps of n fingers; every third is torn."""
    value = np.round(1 + np.arange(n) % 7 * 0.3 + (np.arange(n) % 3 == 0) * 0.8, 1)
    return table(value, np.arange(n) % 3 == 0)


def codes(result):
    return [c.code for c in result.cautions]


def message(result, code):
    return next(c.message for c in result.cautions if c.code == code)


class TestCircularBasis:
    data = rows().assign(basis=["us_gap", "mri", "surgery", "mri"] * 6)

    def test_left_out_and_counted(self):
        found = thresholds.roc(self.data)
        assert found.settings["left_out_circular"] == 6
        assert message(found, "circular_basis_left_out").startswith("6 of 24 rows")
        plain = thresholds.roc(self.data[self.data["basis"] != "us_gap"])
        assert found["auc"].value == plain["auc"].value
        assert found["auc"].n_readings == 18

    def test_kept_with_a_loud_caution(self):
        found = thresholds.roc(self.data, circular="keep")
        assert found["auc"].n_readings == 24
        assert message(found, "circular_basis_kept").startswith("CIRCULAR: 6 of 24")
        assert "circular_basis_left_out" not in codes(found)

    @pytest.mark.parametrize("call", ["roc", "youden_cut", "accuracy_at"])
    def test_every_estimator_leaves_them_out(self, call):
        extra = {"accuracy_at": {"cut": 2.0}, "youden_cut": {"n_boot": 50}}.get(call, {})
        found = getattr(thresholds, call)(self.data, **extra)
        assert "circular_basis_left_out" in codes(found)

    def test_all_circular_leaves_nothing(self):
        with pytest.raises(EstimateError, match="Both classes"):
            thresholds.roc(self.data.assign(basis="us_gap"))

    def test_unknown_word(self):
        with pytest.raises(ArgumentError, match="circular"):
            thresholds.roc(self.data, circular="yes")


class TestClasses:
    def test_other_statuses_are_left_out_and_named(self):
        data = rows()
        data.loc[[1, 2], "status"] = ["partial", "strain"]
        found = thresholds.roc(data, negative="none")
        assert found.settings["left_out_other_status"] == 2
        assert "partial, strain" in message(found, "other_status_left_out")

    def test_a_status_in_both_classes(self):
        with pytest.raises(ArgumentError, match="none may be in both"):
            thresholds.roc(rows(), positive=("complete", "none"))

    def test_an_empty_class(self):
        with pytest.raises(ArgumentError, match="each need a status"):
            thresholds.roc(rows(), positive=())

    def test_the_target_is_named_in_the_result(self):
        found = thresholds.roc(rows(), positive=("partial", "complete"), negative=("none",))
        assert found["auc"].group == "target=partial+complete"
        assert "partial or complete against none" in found.question

    def test_few_participants_are_named(self):
        assert message(thresholds.roc(rows()), "few_positive").startswith("Only 8 participants")


class TestCondition:
    @pytest.mark.parametrize("name", ["pulley", "load", "reference_structure"])
    def test_mixed_conditions_are_refused(self, name):
        data = rows().assign(**{name: ["x", "y"] * 12})
        with pytest.raises(EstimateError, match=f"more than one {name}"):
            thresholds.roc(data)

    def test_mixed_knowingly(self):
        found = thresholds.roc(rows().assign(load=["rest", "loaded"] * 12), pool=("load",))
        assert found["auc"].group == "target=complete; load=loaded+rest"
        assert "belongs to none of them" in message(found, "pooled_conditions")

    def test_one_condition_is_named(self):
        data = rows().assign(pulley="A4", load="loaded", reference_structure="phalanx")
        expected = "target=complete; pulley=A4; load=loaded; reference_structure=phalanx"
        assert thresholds.roc(data)["auc"].group == expected

    def test_an_analysis_set_names_its_condition(self):
        chosen = SimpleNamespace(rows=rows(), settings={"pulley": "A2", "load": "rest"})
        assert thresholds.roc(chosen)["auc"].group == "target=complete; pulley=A2; load=rest"

    def test_rows_left_out_do_not_mix_conditions(self):
        data = rows().assign(pulley="A4", basis="mri")
        data.loc[0, ["pulley", "basis"]] = ["A2", "us_gap"]
        assert "pulley=A4" in thresholds.roc(data)["auc"].group


class TestMissing:
    def test_stops_and_names_the_column(self):
        data = rows()
        data.loc[3, "gap_mm"] = np.nan
        with pytest.raises(TableError, match=r"value \(1\)"):
            thresholds.roc(data)

    @pytest.mark.parametrize("column", ["gap_mm", "status", "participant_id"])
    def test_drops_when_told_and_counts(self, column):
        data = rows().astype({"status": object, "participant_id": object})
        data.loc[4, column] = np.nan
        found = thresholds.roc(data, missing="drop")
        assert found["auc"].n_readings == 23
        assert found.settings["dropped_missing"] == 1
        assert "missing_dropped" in codes(found)

    def test_text_among_the_gaps(self):
        data = rows().astype({"gap_mm": object})
        data.loc[2, "gap_mm"] = "<0.3"
        with pytest.raises(TableError, match="finite number"):
            thresholds.roc(data)

    def test_an_infinite_gap(self):
        data = rows()
        data.loc[2, "gap_mm"] = np.inf
        with pytest.raises(TableError, match="finite number"):
            thresholds.roc(data)


class TestUnseenGaps:
    def unseen(self, **columns):
        data = rows().assign(below_resolution=False, **columns)
        data.loc[[1, 2], "below_resolution"] = True
        data.loc[[1, 2], "gap_mm"] = np.nan
        return data

    def test_rank_below_every_seen_gap(self):
        found = thresholds.roc(self.unseen())
        low = self.unseen().fillna({"gap_mm": -5.0}).drop(columns="below_resolution")
        assert found["auc"].value == thresholds.roc(low)["auc"].value
        assert found["auc"].n_readings == 24
        assert message(found, "below_resolution").startswith("2 of 24")

    def test_a_recorded_number_in_an_unseen_row_is_not_used(self):
        data = self.unseen()
        data.loc[[1, 2], "gap_mm"] = 9.0
        assert thresholds.roc(data)["auc"].value == thresholds.roc(self.unseen())["auc"].value

    def test_unclear_order_is_named(self):
        found = thresholds.roc(self.unseen(resolution_mm=[0.3, 1.15, 0.3] + [0.1] * 21))
        below = (self.unseen()["gap_mm"] < 1.15).sum()
        assert below > 0
        assert message(found, "below_resolution_order").startswith(f"{below} seen gaps")

    def test_a_clear_order_is_not(self):
        assert "below_resolution_order" not in codes(thresholds.roc(self.unseen(resolution_mm=0.3)))

    def test_a_flag_that_is_no_flag(self):
        with pytest.raises(TableError, match="true or false"):
            thresholds.roc(rows().assign(below_resolution="maybe"))


def test_unverified_rows_are_named():
    found = thresholds.roc(rows().assign(verified=[True, True, False] * 8))
    assert message(found, "partial_verification").startswith("8 of 24 rows were not verified")


def test_rows_without_verification_still_count_as_rows_of_their_class():
    data = rows()
    found = thresholds.roc(data.assign(verified=data["status"] == "complete"))
    assert found["auc"].value == thresholds.roc(data)["auc"].value
    assert "few_negative" not in codes(found)


def test_counts_of_fingers_and_participants():
    data = rows().assign(participant_id=[f"p{i // 4}" for i in range(24)], finger_id=range(24))
    found = thresholds.roc(data)["auc"]
    assert (found.n_participants, found.n_fingers, found.n_readings) == (6, 24, 24)


def test_a_named_column_must_exist():
    with pytest.raises(TableError, match="basis"):
        thresholds.roc(rows(), basis="how_known")
    with pytest.raises(TableError, match="participant"):
        thresholds.roc(rows().drop(columns="participant_id"))


def test_an_unknown_argument_lists_the_known_ones():
    with pytest.raises(ArgumentError, match="below"):
        thresholds.roc(rows(), colour="red")


def test_extension_types_and_plain_ones_agree():
    data = rows().assign(below_resolution=False, verified=True)
    typed = data.astype(
        {"participant_id": "string", "status": "string", "below_resolution": "boolean"}
    )
    typed.loc[0, "below_resolution"] = pd.NA
    assert thresholds.roc(typed).to_dict() == thresholds.roc(data).to_dict()


def test_results_stack_and_serialise():
    both = pd.concat(
        [thresholds.roc(rows()).to_frame(), thresholds.accuracy_at(rows(), 2.0).to_frame()]
    )
    assert list(both["name"])[:2] == ["auc", "sensitivity"]
    assert (both["unit"] == "1").all()
