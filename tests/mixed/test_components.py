"""The public door: published tables, closed forms, and what must not matter."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import mixed
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.mixed.designs import crossed, dyestuff, no_variance, random_design, shrout_fleiss

SETTINGS = {"value": "value", "participant": None, "unit": "1"}


def test_dyestuff():
    result = mixed.fit(dyestuff(), value="yield", random=[["batch"]], unit="g", participant=None)
    # source: Davies & Goldsmith 1972, table 6.3: mean squares 11271.5 between, 2451.25 within
    assert result["var_residual"].value == pytest.approx(2451.25, rel=1e-6)
    # by hand: (11271.5 - 2451.25) / 5
    assert result["var_batch"].value == pytest.approx((11271.5 - 2451.25) / 5, rel=1e-6)
    # source: lme4 1.1-31, lmer(Yield ~ 1 + (1 | Batch), Dyestuff)
    assert result.criterion == pytest.approx(319.654276842, abs=1e-4)
    assert result["var_batch"].unit == "g2"
    assert result["sd_batch"].value == pytest.approx(np.sqrt(result["var_batch"].value))


def test_shrout_and_fleiss():
    result = mixed.fit(
        shrout_fleiss(), value="rating", random=[["subject"], ["judge"]], unit="1", participant=None
    )
    # source: Shrout & Fleiss 1979, table 3: mean squares 11.24, 32.49 and 1.02
    # by hand: (11.24 - 1.02) / 4 and (32.49 - 1.02) / 6, within the rounding printed there
    assert result["var_subject"].value == pytest.approx((11.24 - 1.02) / 4, abs=0.004)
    assert result["var_judge"].value == pytest.approx((32.49 - 1.02) / 6, abs=0.004)
    assert result["var_residual"].value == pytest.approx(1.02, abs=0.005)
    share = result.components.set_index("component")["share"]
    # source: Shrout & Fleiss 1979, table 4: ICC(2,1) = .29
    assert share["subject"] == pytest.approx(0.29, abs=0.005)


@pytest.mark.parametrize("seed", range(5))
def test_balanced_table_with_interaction_equals_its_mean_squares(seed):
    table = crossed(10, 4, 3, (1, 0.6, 0.4), seed)
    cell = table["subject"] * 4 + table["rater"]
    table["value"] += np.random.default_rng(seed).normal(0, 0.5, 40)[cell]
    result = mixed.fit(table, random=[["subject"], ["rater"], ["subject", "rater"]], **SETTINGS)
    y = table["value"].to_numpy().reshape(10, 4, 3)
    by_subject, by_rater, by_cell = y.mean((1, 2)), y.mean((0, 2)), y.mean(2)
    squares = {
        "subject": 12 * by_subject.var(ddof=1),
        "rater": 30 * by_rater.var(ddof=1),
        "subject:rater": 3
        * ((by_cell - by_subject[:, None] - by_rater + y.mean()) ** 2).sum()
        / 27,
        "residual": ((y - by_cell[:, :, None]) ** 2).sum() / 80,
    }
    assert squares["subject"] > squares["subject:rater"] > squares["residual"]
    assert squares["rater"] > squares["subject:rater"]
    # by hand: expected mean squares of the two-way random model with three reads per cell
    expected = {
        "residual": squares["residual"],
        "subject:rater": (squares["subject:rater"] - squares["residual"]) / 3,
        "subject": (squares["subject"] - squares["subject:rater"]) / 12,
        "rater": (squares["rater"] - squares["subject:rater"]) / 30,
    }
    found = result.components.set_index("component")["variance"].to_dict()
    assert found == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("seed", [0, 3, 5, 8, 13, 21])
def test_shift_scale_order_and_names_do_not_matter(seed):
    table, random, fixed = random_design(seed)
    plain = mixed.fit(table, random=random, fixed=fixed, **SETTINGS)
    rng = np.random.default_rng(seed)
    names = {k: f"{rng.integers(0, 10**9)}" for k in range(200)}
    changed = {
        "shift": (table.assign(value=table["value"] + 256), 1.0),
        "scale": (table.assign(value=table["value"] * 8), 64.0),
        "order": (table.sample(frac=1, random_state=seed), 1.0),
        "names": (table.assign(**{c: table[c].map(names) for c in ("subject", "rater")}), 1.0),
    }
    for other, factor in changed.values():
        again = mixed.fit(other, random=random, fixed=fixed, **SETTINGS)
        variance = again.components["variance"] / factor
        assert variance.to_numpy() == pytest.approx(
            plain.components["variance"].to_numpy(), rel=1e-5, abs=1e-9
        )
        moved = len(table) - 1 - len(fixed)
        # by hand: scaling the values by s changes the density of each contrast by 1/s
        assert again.log_likelihood + moved * np.log(factor) / 2 == pytest.approx(
            plain.log_likelihood, abs=1e-8
        )
        assert again.singular == plain.singular


def test_an_offset_of_ten_thousand_million():
    table = crossed(12, 4, 1, (1, 0.3, 0.5))
    table["value"] = (table["value"] * 1024).round() / 1024
    near = mixed.fit(table, random=[["subject"], ["rater"]], **SETTINGS)
    far = mixed.fit(
        table.assign(value=table["value"] + 1e10), random=[["subject"], ["rater"]], **SETTINGS
    )
    assert far["var_subject"].value == pytest.approx(near["var_subject"].value, rel=1e-5)
    assert far["var_residual"].value == pytest.approx(near["var_residual"].value, rel=1e-5)
    # by hand: the mean moves by the offset
    assert far["fixed_intercept"].value - 1e10 == pytest.approx(
        near["fixed_intercept"].value, abs=1e-5
    )


def test_variances_that_are_zero_are_exactly_zero_with_a_caution():
    result = mixed.fit(no_variance(), random=[["subject"], ["rater"]], **SETTINGS)
    assert result.singular == ("subject", "rater")
    assert result["var_subject"].value == 0
    assert result["sd_rater"].value == 0
    assert "singular_fit" in [c.code for c in result.cautions]
    # by hand: with both at zero the residual is the sample variance
    table = no_variance()
    assert result["var_residual"].value == pytest.approx(table["value"].var())


def test_defaults_are_the_names_of_the_format():
    table = crossed(12, 4, 1, (1, 0.3, 0.5)).rename(
        columns={"subject": "participant_id", "rater": "rater_id", "value": "gap_mm"}
    )
    result = mixed.fit(table)
    assert [e.name for e in result] == [
        "var_participant_id", "var_rater_id", "var_residual",
        "sd_participant_id", "sd_rater_id", "sd_residual", "fixed_intercept",
    ]  # fmt: skip
    assert result["sd_rater_id"].unit == "mm"
    assert result["sd_rater_id"].n_participants == 12
    assert result["sd_rater_id"].n_readings == 48
    assert np.isnan(result["sd_rater_id"].level)
    assert result["fixed_intercept"].level == 0.95


def test_persons_who_repeat_are_a_random_factor_or_there_is_no_interval():
    table = crossed(12, 4, 2, (1, 0.3, 0.5)).rename(columns={"subject": "participant_id"})
    call = {"value": "value", "random": [["rater"]], "unit": "mm"}
    result = mixed.fit(table, **call)
    assert "participant_left_out" in [c.code for c in result.cautions]
    assert np.isnan(result["fixed_intercept"].lower)
    with pytest.raises(EstimateError, match="rows of one person"):
        mixed.fit(table, intervals="profile", **call)
    assert mixed.fit(table, participant=None, **call)["fixed_intercept"].upper > 0


def test_missing_values_stop_or_are_dropped_and_counted():
    table = crossed(12, 4, 2, (1, 0.3, 0.5))
    table.loc[[3, 9, 40], "value"] = np.nan
    with pytest.raises(TableError, match=r"value \(3\)"):
        mixed.fit(table, random=[["subject"]], **SETTINGS)
    result = mixed.fit(table, random=[["subject"]], missing="drop", **SETTINGS)
    assert result.n_dropped == 3
    assert result["var_subject"].n_readings == 93
    again = mixed.fit(table.dropna(), random=[["subject"]], **SETTINGS)
    assert result.log_likelihood == again.log_likelihood
    table["value"] = np.nan
    with pytest.raises(EstimateError, match="at least three rows"):
        mixed.fit(table, random=[["subject"]], missing="drop", **SETTINGS)


@pytest.mark.parametrize("rows", [0, 1, 2, 3])
def test_very_few_rows_are_an_error_in_words(rows):
    table = crossed(3, 1, 1, (1, 0, 0.5)).iloc[:rows]
    with pytest.raises(EstimateError):
        mixed.fit(table, random=[["subject"]], **SETTINGS)


def test_a_copied_read_is_not_a_repeated_read():
    once = crossed(12, 4, 1, (1, 0.3, 0.5))
    with pytest.raises(EstimateError, match="copied instead of repeated"):
        mixed.fit(
            pd.concat([once, once]),
            random=[["subject"], ["rater"], ["subject", "rater"]],
            **SETTINGS,
        )


@pytest.mark.parametrize(
    "wrong",
    [
        {"method": "bayes"},
        {"level": 95},
        {"intervals": "wald"},
        {"intervals": mixed.Bootstrap(n_boot=1)},
        {"intervals": mixed.Bootstrap(workers=0)},
        {"intervals": mixed.Profile("map")},
        {"fixed": "rater"},
        {"fixed": ["value"]},
        {"missing": "ignore"},
    ],
)
def test_arguments_are_checked(wrong):
    with pytest.raises(ArgumentError):
        mixed.fit(
            crossed(6, 4, 1, (1, 0.3, 0.5)), **({"random": [["subject"]], **SETTINGS} | wrong)
        )


def test_the_table_given_is_left_as_it_was():
    table = crossed(6, 4, 1, (1, 0.3, 0.5))
    before = table.copy()
    mixed.fit(table, random=[["subject"]], **SETTINGS)
    pd.testing.assert_frame_equal(table, before)
