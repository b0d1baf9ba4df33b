"""True gaps: order, spread, covariates, healing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from cohortkit.synthetic.design import LOADS, PULLEYS, STATUSES, read_design
from cohortkit.synthetic.draws import Draws
from tests.synthetic.cohorts import large, shipped

DESIGN = read_design()


def true_rows(cohort):
    """True gaps of first scans, with the true status of each pulley."""
    gaps = cohort.hidden["gaps"]
    first = np.repeat(cohort.hidden["scans"]["first"].to_numpy(), len(PULLEYS) * len(LOADS))
    truth = cohort.hidden["episodes"][["episode_id", "pattern", *(f"true_{p}" for p in PULLEYS)]]
    rows = gaps[first].merge(truth, on="episode_id", how="left")
    status = np.select([rows["pulley"] == p for p in PULLEYS], [rows[f"true_{p}"] for p in PULLEYS])
    return rows.assign(status=np.where(rows["episode_id"].isna(), "none", status))


def test_the_order_of_published_cadaver_medians_and_their_rising_spread():
    # source: Iruretagoiena et al. 2023, loaded A2, intact to 20 mm tear, medians and quartiles
    medians = [0.95, 2.11, 2.28, 3.06, 3.66]
    intact_quartiles, complete_quartiles = (0.77, 1.33), (3.55, 4.76)
    assert medians == sorted(medians)
    published_rise = np.diff(complete_quartiles)[0] / np.diff(intact_quartiles)[0]
    rows = true_rows(large())
    loaded = rows[(rows["pulley"] == "A2") & (rows["load"] == "loaded")]
    groups = loaded.groupby("status")["true_gap_mm"]
    ours = groups.median()[list(STATUSES)]
    spread = groups.quantile(0.75) - groups.quantile(0.25)
    assert ours.is_monotonic_increasing
    assert spread[list(STATUSES)].is_monotonic_increasing
    assert published_rise > 1
    assert spread["complete"] / spread["none"] > published_rise


@pytest.mark.parametrize(("load", "trade"), [("rest", 3.1), ("loaded", 4.2)])
def test_a_complete_a4_measures_the_trade_figure(load, trade):
    """3.1 mm at rest, 4.2 mm against resistance: common practice, no source."""
    rows = true_rows(large())
    alone = rows[(rows["pulley"] == "A4") & (rows["pattern"] == "complete_a4")]
    gaps = alone.loc[alone["load"] == load, "true_gap_mm"]
    assert gaps.mean() == pytest.approx(trade, abs=5 * gaps.std() / np.sqrt(len(gaps)))


def test_gaps_of_a2_keep_the_working_ranges():
    rows = true_rows(large())
    middle = (
        rows[(rows["pulley"] == "A2") & (rows["load"] == "loaded")]
        .groupby("pattern", dropna=False)["true_gap_mm"]
        .median()
    )
    # planted truth: ranges the design was shaped on
    assert 1.0 < middle["complete_a4"] < 2.0
    assert 1.8 < middle["partial_a2"] < 3.2
    assert 3.0 < middle["complete_a2"] < 5.5
    assert 4.0 < middle["complete_a2_a3"] < 7.0


def test_the_a3_gap_is_small_and_never_below_zero():
    rows = true_rows(large())
    intact = rows[(rows["pulley"] == "A3") & (rows["status"] == "none")]["true_gap_mm"]
    assert 0.3 < intact.median() < 0.9  # planted truth
    assert rows["true_gap_mm"].min() >= 0


def test_women_have_smaller_gaps_at_rest_and_not_loaded():
    cohort = large()
    sex = cohort.tables["participants"].set_index("participant_id")["sex"]
    rows = true_rows(cohort)
    rows = rows[(rows["status"] == "none") & (rows["pulley"] == "A2")]
    woman = (sex.loc[rows["participant_id"]] == "female").to_numpy()
    at_rest = (rows["load"] == "rest").to_numpy()
    gap = rows["true_gap_mm"].to_numpy()
    assert gap[woman & at_rest].mean() - gap[~woman & at_rest].mean() == pytest.approx(
        DESIGN.gaps.women_at_rest, abs=0.03
    )
    assert abs(gap[woman & ~at_rest].mean() - gap[~woman & ~at_rest].mean()) < 0.03


def test_torn_pulleys_heal_towards_but_not_to_the_intact_gap():
    cohort = large()
    gaps = cohort.hidden["gaps"].merge(cohort.hidden["episodes"], on="episode_id")
    torn = gaps[(gaps["pattern"] == "complete_a2") & (gaps["pulley"] == "A2")]
    loaded = torn[torn["load"] == "loaded"]
    early = loaded.loc[loaded["scan_day"] <= 14, "true_gap_mm"].mean()
    late = loaded.loc[loaded["scan_day"] > 300, "true_gap_mm"].mean()
    intact = DESIGN.gaps.mean_mm["A2"]["loaded"]["none"]
    assert intact + 0.3 < late < early - 1


def test_sites_differ_as_planted():
    cohort = large()
    rows = true_rows(cohort)
    rows = rows[(rows["pulley"] == "A2") & (rows["load"] == "loaded") & (rows["status"] == "none")]
    by_site = rows.groupby(rows["participant_id"].str[:3])["true_gap_mm"].mean()
    for site in DESIGN.sites:
        expected = site.effect_mm - np.mean([s.effect_mm for s in DESIGN.sites])
        # five standard errors of a site's mean: about 0.37 / sqrt(550 people)
        assert by_site[site.site_id] - by_site.mean() == pytest.approx(expected, abs=0.08)


def test_filling_unseen_gaps_with_zero_biases_and_a_censored_fit_does_not():
    """normal(1.0, 0.4) cut at 0.3: only the likelihood of the cut sample finds the mean."""
    gap = 1.0 + 0.4 * Draws(11, "cut").normal(20_000)
    seen = gap >= 0.3
    zero_filled = np.where(seen, gap, 0.0)

    def minus_log_likelihood(p):
        mean, sd = p[0], np.exp(p[1])
        return -(
            norm.logpdf(gap[seen], mean, sd).sum() + (~seen).sum() * norm.logcdf(0.3, mean, sd)
        )

    fit = minimize(minus_log_likelihood, [1.0, np.log(0.5)], method="Nelder-Mead")
    # planted truth: mean 1.0 and SD 0.4; by hand: five standard errors 5 * 0.4/sqrt(20000)
    assert fit.x[0] == pytest.approx(1.0, abs=0.0142)
    assert np.exp(fit.x[1]) == pytest.approx(0.4, abs=0.011)
    assert gap[seen].mean() > 1.0142
    assert zero_filled.std() > 0.411


def test_the_shipped_cohort_holds_gaps_that_could_not_be_seen():
    readings = shipped().tables["readings"]
    assert readings["below_resolution"].mean() > 0.03
    assert readings.loc[readings["below_resolution"], "gap_mm"].isna().all()
