"""Options of reliability: defaults of the format, and what they do not take."""

from __future__ import annotations

import pytest

from cohortkit.agreement.reliability_options import OPTIONAL, ROLES, filled
from cohortkit.errors import ArgumentError
from cohortkit.tables.schema import table


def test_defaults_are_names_of_the_format():
    spec = filled({})
    own = set(table("readings").column_names) | set(table("scans").column_names)
    assert {spec["value"], spec["participant"], spec["scan"], spec["rater"]} <= own
    assert spec["site"] in table("sites").column_names
    assert set(OPTIONAL) < set(ROLES) <= set(spec)


def test_what_is_given_stays_and_the_rest_is_filled():
    spec = filled({"value": "score", "participant": None})
    assert (spec["value"], spec["participant"], spec["rater"]) == ("score", None, "rater_id")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"raters": "x"}, "does not take that argument"),
        ({"by": "pulley"}, "list of column names"),
        ({"n_boot": 10}, "at least 100"),
        ({"seed": -1}, "at least 0"),
    ],
)
def test_wrong_options_are_named(options, words):
    with pytest.raises(ArgumentError, match=words):
        filled(options)
