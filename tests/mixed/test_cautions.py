"""Cautions say what changes the use of a number, and nothing else."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit import mixed
from cohortkit.mixed.effects import effects
from tests.mixed.designs import crossed

SETTINGS = {"value": "value", "participant": None, "unit": "1"}


def codes(table, random, **more):
    return [c.code for c in mixed.fit(table, random=random, **SETTINGS, **more).cautions]


def test_none_in_a_plain_design():
    assert codes(crossed(20, 6, 1, (1, 0.5, 0.5)), [["subject"], ["rater"]]) == []


def test_few_levels():
    assert codes(crossed(20, 4, 1, (1, 0.5, 0.5)), [["subject"], ["rater"]]) == ["few_levels"]


def test_nesting_that_the_columns_declare_is_no_caution():
    table = crossed(20, 6, 2, (1, 0.5, 0.5))
    assert "nested_not_crossed" not in codes(table, [["subject"], ["subject", "rater"]])


def test_nesting_that_the_columns_do_not_declare():
    table = crossed(24, 3, 2, (1, 0, 0.5))
    table["reader"] = table["subject"] % 6
    result = mixed.fit(table, random=[["subject"], ["reader"]], **SETTINGS)
    messages = {c.code: c.message for c in result.cautions}
    assert "not crossed: subject within reader." in messages["nested_not_crossed"]


def test_only_the_closest_nesting_is_named():
    table = crossed(24, 3, 2, (1, 0, 0.5))
    table["reader"], table["site"] = table["subject"] % 8, table["subject"] % 4
    result = mixed.fit(table, random=[["site"], ["reader"], ["subject"]], **SETTINGS)
    message = next(c.message for c in result.cautions if c.code == "nested_not_crossed")
    assert "reader within site; subject within reader." in message


BETTER = [mixed.Profile("reml"), mixed.Bootstrap(n_boot=99)]


@pytest.mark.parametrize("choice", BETTER)
def test_intervals_that_are_too_short_with_few_levels(choice):
    table = crossed(20, 6, 1, (1, 0.5, 0.5))
    found = codes(table, [["subject"], ["rater"]], intervals="profile")
    assert found == ["interval_few_levels"]
    assert codes(table, [["subject"], ["rater"]], intervals=choice) == []


@pytest.mark.parametrize("choice", BETTER)
def test_better_intervals_are_a_little_short_with_very_few_levels(choice):
    table = crossed(20, 3, 1, (1, 0.5, 0.5))
    found = codes(table, [["subject"], ["rater"]], intervals=choice)
    assert set(found) == {"few_levels", "interval_few_levels"}


@pytest.mark.parametrize("choice", ["profile", mixed.Profile("reml")])
@pytest.mark.parametrize(("sd", "said"), [(0, True), (1, False)])
def test_profile_intervals_that_start_at_zero(choice, sd, said):
    table = crossed(30, 10, 1, (1, sd, 0.5), seed=3)
    result = mixed.fit(table, random=[["subject"], ["rater"]], intervals=choice, **SETTINGS)
    assert (result["sd_rater"].lower == 0) is said
    messages = {c.code: c.message for c in result.cautions}
    assert ("interval_at_zero" in messages) is said
    if said:
        assert "Zero is not ruled out for sd_rater. " in messages["interval_at_zero"]


@pytest.mark.parametrize("missing", [1, 5])
def test_dropped_rows(missing):
    table = crossed(20, 6, 1, (1, 0.5, 0.5))
    table.loc[: missing - 1, "value"] = pd.NA
    result = mixed.fit(table, random=[["subject"], ["rater"]], missing="drop", **SETTINGS)
    assert [c.code for c in result.cautions] == ["rows_dropped"]
    assert result.cautions[0].message.startswith(f"{missing} row")


@pytest.mark.parametrize("ask", [mixed.fit, effects])
def test_quantities_that_the_model_does_not_know(ask):
    table = crossed(20, 6, 1, (1, 0.5, 0.5))
    table["pulley"] = ["A2", "A4"] * 60
    call = {"value": "value", "participant": None, "unit": "1"}
    if ask is effects:
        call["of"] = ["rater"]
    random = [["subject"], ["rater"]]
    found = {c.code: c.message for c in ask(table, random=random, **call).cautions}
    assert "mix values of pulley" in found["quantities_pooled"]
    told = ask(table, random=[*random, ["pulley", "subject"]], **call)
    assert "quantities_pooled" not in {c.code for c in told.cautions}
    alike = ask(table.assign(pulley="A2"), random=random, **call)
    assert "quantities_pooled" not in {c.code for c in alike.cautions}
