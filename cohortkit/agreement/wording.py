"""Words for a coefficient, by a published scheme that the caller names, for its whole interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from cohortkit import checks
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Estimate


@dataclass(frozen=True)
class Scheme:
    """A published list of words.

    `steps` holds each word with the value up to which it reaches; `closed` says
    whether that value itself still belongs to the word. `prefixes` begin the
    names of the estimates that the scheme was made for.
    """

    source: str
    prefixes: tuple[str, ...]
    steps: tuple[tuple[float, bool, str], ...]

    def word(self, value: float) -> str:
        """The word for one value."""
        return next(
            word for edge, closed, word in self.steps if value < edge or (closed and value == edge)
        )


SCHEMES = {
    "landis_koch_1977": Scheme(
        "Landis & Koch, Biometrics 1977;33:159-174",
        ("cohen_kappa", "fleiss_kappa"),
        (
            (0.0, False, "poor"),
            (0.2, True, "slight"),
            (0.4, True, "fair"),
            (0.6, True, "moderate"),
            (0.8, True, "substantial"),
            (math.inf, True, "almost perfect"),
        ),
    ),
    "koo_li_2016": Scheme(
        "Koo & Li, J Chiropr Med 2016;15:155-163",
        ("icc_",),
        (
            (0.5, False, "poor"),
            (0.75, False, "moderate"),
            (0.9, True, "good"),
            (math.inf, True, "excellent"),
        ),
    ),
    "cicchetti_1994": Scheme(
        "Cicchetti, Psychol Assess 1994;6:284-290",
        ("icc_",),
        (
            (0.4, False, "poor"),
            (0.6, False, "fair"),
            (0.75, False, "good"),
            (math.inf, True, "excellent"),
        ),
    ),
}


@dataclass(frozen=True)
class Wording:
    """Words for both ends of an interval, with the scheme they come from."""

    estimate: str
    scheme: str
    source: str
    lower: str
    upper: str
    level: float

    def __str__(self) -> str:
        words = self.lower if self.lower == self.upper else f"{self.lower} to {self.upper}"
        return f"{words} ({self.scheme}: {self.source}; {100 * self.level:g} % interval)"


def in_words(estimate: Any, *, scheme: str) -> Wording:
    """Words for the interval of a coefficient, by a named scheme.

    Parameters
    ----------
    estimate
        An `Estimate` such as ``icc(...)["icc_a_1"]``.
    scheme
        ``"landis_koch_1977"`` for kappa; ``"koo_li_2016"`` or ``"cicchetti_1994"``
        for intraclass correlations. There is no default: the schemes disagree, and
        their limits rest on no data.

    Returns
    -------
    Wording
        The words at the lower and at the upper limit, never at the estimate alone.

    Raises
    ------
    ArgumentError
        An unknown scheme, or one that was made for another coefficient.
    EstimateError
        An estimate without a closed interval.
    """
    chosen = SCHEMES[checks.one_of("scheme", scheme, tuple(SCHEMES))]
    if not isinstance(estimate, Estimate):
        raise ArgumentError(
            "Words are given for one estimate",
            found=type(estimate).__name__,
            next_step="pick one, as result['icc_a_1']",
        )
    if not estimate.name.startswith(chosen.prefixes):
        raise ArgumentError(
            f"Scheme '{scheme}' was not made for this coefficient",
            found=estimate.name,
            next_step=f"use it for names that start with {' or '.join(chosen.prefixes)}",
        )
    if not (math.isfinite(estimate.lower) and math.isfinite(estimate.upper)):
        raise EstimateError(
            "Words apply to the whole interval, and this estimate has none",
            found=estimate.name,
            next_step="see the cautions of the result for the reason",
        )
    return Wording(
        estimate.name,
        scheme,
        chosen.source,
        chosen.word(estimate.lower),
        chosen.word(estimate.upper),
        estimate.level,
    )
