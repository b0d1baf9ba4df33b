"""The shape of a result."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest

from cohortkit.errors import ArgumentError
from cohortkit.estimate import Caution, Estimate, Result


def estimate(**changes) -> Estimate:
    parts = {
        "name": "bias", "value": 0.1, "lower": 0.0, "upper": 0.2, "level": 0.95,
        "unit": "mm", "method": "t interval",
    }  # fmt: skip
    return Estimate(**(parts | changes))


def test_no_unit_no_estimate():
    with pytest.raises(ArgumentError, match="without a unit"):
        estimate(unit="")


@pytest.mark.parametrize("level", [0, 1, 95, -0.5])
def test_level_is_a_fraction(level):
    with pytest.raises(ArgumentError, match="between 0 and 1"):
        estimate(level=level)


def test_limits_stand_in_order_and_may_be_absent():
    with pytest.raises(ArgumentError, match="above its upper"):
        estimate(lower=2.0)
    nothing = math.nan
    assert math.isnan(estimate(lower=nothing, upper=nothing, level=nothing).level)


def test_numbers_of_numpy_become_plain():
    made = estimate(value=np.float64(1.5), lower=np.float64(1), upper=np.array(2.0))
    assert [type(x) for x in (made.value, made.lower, made.upper)] == [float] * 3
    assert made == estimate(value=1.5, lower=1.0, upper=2.0)


def test_results_stack_whatever_they_are():
    one = Result("a", (estimate(n_participants=3),))
    two = Result("b", (estimate(name="sd", group="pulley=A2"),))
    stacked = pd.concat([one.to_frame(), two.to_frame()], ignore_index=True)
    assert list(stacked["name"]) == ["bias", "sd"]
    assert stacked["n_participants"].isna().tolist() == [False, True]


def test_a_result_finds_its_estimates_by_name_and_group():
    result = Result("q", (estimate(group="pulley=A2"), estimate(group="pulley=A4", value=0.15)))
    assert result["bias@pulley=A4"].value == 0.15
    with pytest.raises(ArgumentError, match="No single estimate"):
        result["bias"]
    with pytest.raises(ArgumentError, match="there are bias@pulley=A2"):
        result["slope"]


def test_cautions_travel_and_all_is_json_ready():
    result = Result("q", (estimate(),), (Caution("few_raters", "Only 2 raters."),), {"seed": 1})
    content = json.loads(json.dumps(result.to_dict()))
    assert content["cautions"] == [{"code": "few_raters", "message": "Only 2 raters."}]
    assert "Only 2 raters." in repr(result)
    assert "Only 2 raters." in result._repr_html_()


def test_text_is_escaped_in_html():
    result = Result("<script>x</script>", (estimate(name="<b>", group="<i>"),))
    page = result._repr_html_()
    assert "<script>" not in page
    assert "<b>" not in page
    assert "<i>" not in page


def test_full_precision_inside_rounding_only_in_display():
    long = 1 / 3
    shown = estimate(value=long, upper=0.4)
    assert shown.value == long
    assert "0.33 mm" in str(shown)
