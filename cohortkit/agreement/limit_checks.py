"""Do limits of agreement suit these differences? Slope, spread and shape, as data and in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from cohortkit.estimate import Caution

_SHAPIRO_LIMITS = (8, 5000)
_SIGNIFICANT = 0.05
_LOOK = "look at the picture of the differences."
_UNSEEN = {  # how many show skewness of a gamma of shape 2 in 9 of 10 tables, and what is said
    "pairs": (
        50,
        "pairs are too few to see whether their differences are skewed (Shapiro-Wilk finds it in 39 "
        "of 100 samples of 15 from a gamma of shape 2, in 74 of 30, in 95 of 50). The interval of "
        "the limit on the side of the long tail then covered 78 % instead of 95 %, that of the SD "
        "82 to 83 %: " + _LOOK,
    ),
    "several": (
        100,
        "participants are too few to see whether their differences are skewed (Shapiro-Wilk finds "
        "a gamma of shape 2 in 42 of 100 tables of 30 participants with one to four scans, in 74 of "
        "60, in 92 of 100). The interval of the limit on the side of the long tail then covered "
        "81 % instead of 95 %, that of the SD 86 % (60 participants): " + _LOOK,
    ),
    "repeats": (
        100,
        "participants are too few to see whether their differences are skewed (Shapiro-Wilk finds "
        "a gamma of shape 2 in 38 of 100 tables of 30 participants read twice, in 62 of 50, in 88 "
        "of 100). The interval of the limit on the side of the long tail then covered 78 to 86 % "
        "instead of 95 %, that of the SD 82 to 89 %: " + _LOOK,
    ),
    "deviations": (
        300,
        "participants are too few to see whether errors are skewed (Shapiro-Wilk finds a gamma of "
        "shape 2 in 18 to 23 of 100 tables of 30 participants and two or three raters, in 46 to 54 "
        "of 100, in 77 of 200). The interval of the SD and the limits then covered 87 to 94 % "
        "instead of 95 %: look at the picture of the deviations.",
    ),
}
CHECKS = ("difference_on_mean", "absolute_residual_on_mean", "normal_differences")


def assumption_checks(mean: np.ndarray, difference: np.ndarray) -> pd.DataFrame:
    """Slope of the difference on the mean, growth of its spread, and normality.

    Parameters
    ----------
    mean, difference
        Of n independent pairs, shape (n,).

    Returns
    -------
    pandas.DataFrame
        check, estimate, p_value, n. The estimate is the slope of the difference,
        the slope of the absolute residual (both in units per unit of the mean),
        and Shapiro-Wilk's W. NaN where a check cannot be made.
    """
    n = len(difference)
    x, y = mean - mean.mean(), difference - difference.mean()
    found = dict.fromkeys(CHECKS, (np.nan, np.nan))
    if n > 3 and np.ptp(mean) > 0 and np.ptp(difference) > 0:
        line = stats.linregress(x, y)
        found["difference_on_mean"] = (line.slope, line.pvalue)
        residual = np.abs(y - line.intercept - line.slope * x)
        if np.ptp(residual) > 0:
            growth = stats.linregress(x, residual)
            found["absolute_residual_on_mean"] = (growth.slope, growth.pvalue)
    found["normal_differences"] = normality(difference)
    rows = [(name, float(a), float(p), n) for name, (a, p) in found.items()]
    return pd.DataFrame(rows, columns=["check", "estimate", "p_value", "n"])


def normality(values: np.ndarray) -> tuple[float, float]:
    """Shapiro-Wilk's W and p; NaN for fewer than 8 values, more than 5,000, or equal ones."""
    few, many = _SHAPIRO_LIMITS
    centred = values - values.mean() if len(values) else values
    if not few <= len(values) <= many or np.ptp(centred) == 0:
        return np.nan, np.nan
    test = stats.shapiro(centred / np.ptp(centred))
    return float(test.statistic), float(test.pvalue)


def normal_quantiles(difference: np.ndarray) -> pd.DataFrame:
    """Sorted differences against those of a normal distribution of the same mean and SD.

    Returns
    -------
    pandas.DataFrame
        expected, observed, shape (n,); plotting positions (i - 0.375) / (n + 0.25)
        (Blom 1958).
    """
    n = len(difference)
    score = stats.norm.ppf((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    spread = difference.std(ddof=1) if n > 1 else 0.0
    return pd.DataFrame(
        {"expected": difference.mean() + spread * score, "observed": np.sort(difference)}
    )


def by_participant(pairs: pd.DataFrame, cluster: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and difference averaged over the pairs of each participant, shape (k,) each."""
    size = np.bincount(cluster)
    mean, difference = (
        np.bincount(cluster, pairs[name].to_numpy()) / size for name in ("mean", "difference")
    )
    return mean, difference


def check_cautions(checks: pd.DataFrame, unit: str, unseen: str = "") -> tuple[Caution, ...]:
    """The checks that failed at 5 %, in words, with the function that copes.

    Parameters
    ----------
    checks, unit
        As `assumption_checks` makes them; UCUM code of the values.
    unseen
        What intervals that rest on normal differences were made from: pairs, several
        (pairs of a participant), repeats or deviations. Too few of them to show
        skewness are then said too. Empty for other intervals, or for none.
    """
    found = checks.set_index("check")
    p = found["p_value"]
    slope = float(found["estimate"]["difference_on_mean"])
    per = "per unit of" if unit == "1" else f"{unit} per {unit} of"
    said = {
        "difference_on_mean": (
            "difference_depends_on_size",
            f"The difference changes by {slope:.2g} {per} the mean "
            f"(p = {p['difference_on_mean']:.2g}): one bias does not hold for small and large "
            "values. See limits_regression.",
        ),
        "absolute_residual_on_mean": (
            "spread_depends_on_size",
            "The spread of the differences changes with size (p = "
            f"{p['absolute_residual_on_mean']:.2g}): the limits are too wide at one end and too "
            "narrow at the other. See limits_ratio and limits_regression.",
        ),
        "normal_differences": (
            "differences_not_normal",
            f"The differences are not normal (Shapiro-Wilk p = {p['normal_differences']:.2g}), so "
            "the limits need not hold the share named, nor their intervals the level.",
        ),
    }
    failed = tuple(Caution(*said[name]) for name in CHECKS if p[name] < _SIGNIFICANT)
    n, (enough, words) = int(found["n"][CHECKS[2]]), _UNSEEN.get(unseen, (0, ""))
    if n >= enough or p[CHECKS[2]] < _SIGNIFICANT:
        return failed
    return (Caution("normality_unseen", f"{n} {words}"), *failed)
