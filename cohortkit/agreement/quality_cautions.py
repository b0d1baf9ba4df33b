"""Tests of how raters read, adjusted for their number, and what they call for."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from cohortkit.agreement.digit_preference import FEWEST
from cohortkit.estimate import Caution

NO_SPREAD = "no interval: its readings differ from the others' by a constant only"
_SIGNIFICANT = 0.05
_TEST_COLUMNS = ("group", "test", "chi_square", "df", "p_value", "p_holm", "n", "design_effect")


def holm(tests: list[dict[str, Any]]) -> pd.DataFrame:
    """Holm's adjustment of each kind of test over raters, and over sites."""
    table = pd.DataFrame(tests, columns=[c for c in _TEST_COLUMNS if c != "p_holm"])
    table["p_holm"] = math.nan
    family = table["test"].astype(str) + table["group"].astype(str).str.split("=").str[0]
    for name in family.unique():
        p = table.loc[family == name, "p_value"].sort_values()
        steps = p.to_numpy() * np.arange(len(p), 0, -1)
        table.loc[p.index, "p_holm"] = np.minimum(1.0, np.maximum.accumulate(steps))
    return table[list(_TEST_COLUMNS)]


def quality_cautions(tests: pd.DataFrame, lost: list[tuple[str, str, str]]) -> list[Caution]:
    """What is said of the tests, and of what was `lost`: group, estimate, reason."""
    found = []
    for name, code, words in (
        ("half_unit", "heaping", "multiples of 0.5 are too frequent or too rare"),
        ("last_digit", "digit_preference", "some last digits are preferred"),
    ):
        hit = tests[(tests["test"] == name) & (tests["p_holm"] < _SIGNIFICANT)]
        if len(hit):
            listed = ", ".join(
                f"{g} (chi-square {x:.1f}, {d} df)"
                for g, x, d in zip(hit["group"], hit["chi_square"], hit["df"], strict=True)
            )
            found.append(Caution(code, f"By Holm's test at 5 %, {words}: {listed}."))
    few = sorted({g for g, e, _ in lost if e == "heaping_share"})
    if few:
        message = (
            f"Too few readings (under {FEWEST}) or too few different values to look at digits: "
            f"{', '.join(few)}."
        )
        found.append(Caution("few_readings", message))
    still = sorted({g for g, _, r in lost if r == NO_SPREAD})
    if still:
        message = (
            "Raters who differ by a constant only, so no interval of their shift or drift exists: "
            f"{', '.join(still)}. The error is smaller than the rounding of the values, not zero."
        )
        found.append(Caution("no_disagreement_seen", message))
    alone = sorted({g for g, e, r in lost if e == "rater_shift" and r != NO_SPREAD})
    if alone:
        message = f"Not compared with any other rater: {', '.join(alone)}."
        found.append(Caution("raters_not_compared", message))
    return found
