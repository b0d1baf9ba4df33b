"""Limits of agreement of a ratio."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import limits_of_agreement, limits_ratio
from cohortkit.errors import EstimateError
from tests.agreement.paired import PLAIN, codes, fingers, triple, two_columns
from tests.expected import figures


def test_plasma_volume(check_values):
    wide = pd.read_csv(check_values / "data" / "plvol.csv")
    reads = two_columns(wide, "nadler", "hurley", ["subject"])
    result = limits_ratio(reads, raters=("nadler", "hurley"), **PLAIN)
    expected = figures(check_values, "b07_plvol")
    names = {
        "ratio_bias": "ratio_bias",
        "log_sd_diff": "sd_log_ratio",
        "ratio_loa_lower": "ratio_lower_limit",
        "ratio_loa_upper": "ratio_upper_limit",
    }
    for theirs, ours in names.items():
        row = expected.loc[theirs]
        # source: check values (R 4.2.2, numpy); Bland & Altman 1999
        assert result[ours].value == pytest.approx(row["value"], abs=row["tolerance"])
    row = expected.loc["ratio_bias"]
    assert triple(result["ratio_bias"])[1:] == pytest.approx(
        [row["ci_low"], row["ci_high"]], abs=row["tolerance"]
    )


def test_limits_are_antilogarithms():
    data = fingers(per=(1,))
    logs = limits_of_agreement(data.assign(gap_mm=np.log(data["gap_mm"])))
    ratio = limits_ratio(data)
    for side in ("lower", "upper"):
        found = triple(ratio[f"ratio_{side}_limit"])
        assert found == pytest.approx(np.exp(triple(logs[f"{side}_limit"])).tolist())
        assert ratio[f"ratio_{side}_limit"].unit == "1"


@pytest.mark.parametrize("factor", [0.001, 25.4])
def test_units_do_not_matter(factor):
    data = fingers()
    here, there = limits_ratio(data), limits_ratio(data.assign(gap_mm=factor * data["gap_mm"]))
    assert triple(there["ratio_bias"]) == pytest.approx(triple(here["ratio_bias"]))


def test_spread_in_proportion_is_no_longer_said():
    size = np.linspace(0.5, 6, 80)
    rng = np.random.default_rng(4)
    wide = pd.DataFrame({"subject": range(80), "b": size})
    wide["a"] = size * np.exp(0.1 * rng.standard_normal(80))
    reads = two_columns(wide, "a", "b", ["subject"])
    assert "spread_depends_on_size" in codes(limits_of_agreement(reads, **PLAIN))
    assert "spread_depends_on_size" not in codes(limits_ratio(reads, **PLAIN))


def test_values_at_or_below_zero_are_refused():
    data = fingers()
    data.loc[0, "gap_mm"] = 0.0
    with pytest.raises(EstimateError, match="1 of 78 values"):
        limits_ratio(data)


def test_too_few_ratios_to_see_skewness_are_said_of_logarithms():
    data = fingers(k=20, per=(1,))
    first = data["rater_id"] == "R1"
    noise = np.exp(0.1 * np.random.default_rng(1).standard_normal(20))
    data.loc[first, "gap_mm"] = data.loc[~first, "gap_mm"].to_numpy() * noise
    found = limits_ratio(data)
    messages = {c.code: c.message for c in found.cautions}
    assert "the differences of their logarithms are skewed" in messages["normality_unseen"]
    assert "several scans" not in messages["few_participants"]
