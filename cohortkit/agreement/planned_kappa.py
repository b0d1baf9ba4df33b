"""How many participants for an interval of kappa: two raters or more, weighted, several fingers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import optimize, special, stats

from cohortkit import checks
from cohortkit.agreement.category_limits import fisher_z_limits
from cohortkit.agreement.pairwise import corrected, fleiss_chance, pair_parts
from cohortkit.agreement.planned import Answer, PlannedSize, hand, normal_quantile, smallest
from cohortkit.agreement.smooth import expected_variance
from cohortkit.agreement.weighting import SOURCES, WEIGHTS, agreement_weights
from cohortkit.errors import ArgumentError
from cohortkit.estimate import Caution

MISSES = ("any", "near")
MOST_PATTERNS = 100_000
_NODES = np.linspace(-8.0, 8.0, 801)
_HIGHEST = 0.9995  # correlation of two raters' impressions: beyond, the nodes are too far apart


@dataclass(frozen=True)
class Model:
    """Raters who rate independently once the truth is given.

    `truth` (h,) is the probability of each truth, `ratings` (h, q) that of each category
    given it.
    """

    truth: np.ndarray
    ratings: np.ndarray

    def joint(self) -> np.ndarray:
        """Probability of each pair of ratings by two raters, (q, q)."""
        return np.asarray(self.ratings.T @ (self.truth[:, None] * self.ratings))

    def patterns(self, raters: int) -> tuple[np.ndarray, np.ndarray]:
        """How often k raters choose each category, (patterns, q), and the probability of that."""
        counts = compositions(raters, self.ratings.shape[1])
        ways = special.gammaln(raters + 1) - special.gammaln(counts + 1).sum(axis=1)
        logs = np.log(np.maximum(self.ratings, 1e-300))
        share = np.zeros(len(counts))
        for weight, log in zip(self.truth, logs, strict=True):
            share += weight * np.exp(ways + counts @ log)
        return counts, share / share.sum()


def participants_for_kappa(
    kappa: float,
    prevalence: Sequence[float],
    width: float,
    *,
    level: float = 0.95,
    weights: str = "unweighted",
    raters: int = 2,
    misses: str | None = None,
    fingers: int = 1,
    correlation: float | None = None,
) -> PlannedSize:
    """Participants for an interval of kappa of a wanted width.

    Two raters: Cohen's kappa, unweighted or weighted, with the large-sample variance of
    Fleiss, Cohen & Everitt 1969. More: Fleiss' kappa, with the variance of the linearised
    statistic, summed over all patterns of ratings. Raters use the categories equally often.

    Parameters
    ----------
    kappa
        Planned value, weighted as asked, from 0 to below 1.
    prevalence
        Share of each category, in their order; they add up to 1.
    width
        Upper less lower limit that is wanted.
    level
        Coverage of the interval.
    weights
        ``"unweighted"``, ``"linear"`` or ``"quadratic"``, as in `cohen_kappa`.
    raters
        Raters of each finger.
    misses
        How raters who disagree miss the truth. ``"any"``: a rater knows it with
        probability sqrt(kappa) and else draws a category by its prevalence, so that two
        raters both choose i with probability p_i^2 + kappa p_i (1 - p_i). ``"near"``: each
        cuts a normal impression of it into categories, so that a miss by one category is
        likelier than one by two. None: any if unweighted, else near.
    fingers, correlation
        Fingers of each participant; and the correlation of what two fingers of one
        participant add to kappa (0 if the raters agree on one whatever they do on the
        other).

    Returns
    -------
    PlannedSize
        Participants, and the width expected with them.

    Raises
    ------
    ArgumentError
        Values outside their range, or shares that do not add up to 1.
    EstimateError
        If more than 5,000 participants are needed.

    Notes
    -----
    Two raters, unweighted, any miss, one finger: n = 4 z^2 V / w^2, V the variance times
    n (with two categories that of Donner & Eliasziw 1992). All else: smallest n whose
    interval on the scale of Fisher's z, as `cohen_kappa` and `fleiss_kappa` make it, is no
    wider than `width` where the variance is V (1 + (m - 1) correlation) / (n m), m fingers
    each (Kish 1965).
    """
    shares = _shares(kappa, prevalence)
    checks.one_of("weights", weights, WEIGHTS)
    count, each = checks.count("raters", raters, 2), hand(fingers, correlation)
    how = misses or ("any" if weights == "unweighted" else "near")
    checks.one_of("misses", how, MISSES)
    wanted, z = checks.proportion("width", width), normal_quantile(level)
    w = agreement_weights(weights, len(shares))
    model = rating_model(kappa, shares, w, how)
    variance = kappa_variance(model.joint(), w) if count == 2 else fleiss_variance(model, count, w)
    plain = count == 2 and each.fingers == 1 and weights == "unweighted" and how == "any"

    def width_at(n: int) -> float:
        if plain:
            return 2 * z * math.sqrt(variance / n)
        spread = variance * each.inflation / (n * each.fingers)
        low, high = fisher_z_limits(kappa, spread, n, level)
        return high - low

    if plain:
        n = max(math.ceil(4 * z**2 * variance / wanted**2 - 1e-9), 2)
    else:
        n = smallest(width_at, wanted, start=3)
    settings = {"kappa": kappa, "prevalence": shares.tolist(), "width": width, "level": level}
    settings |= {"weights": weights, "raters": count, "misses": how, **each.settings()}
    way = "large-sample variance (Fleiss, Cohen & Everitt 1969)"
    if count > 2:
        way = f"linearised variance over all patterns of {count} ratings"
    return Answer(
        "Cohen's kappa" if count == 2 else f"Fleiss' kappa of {count} raters",
        n,
        width_at,
        "1",
        way if plain else f"{SOURCES[weights]}; {way}; Fisher z scale",
        fingers=each.fingers,
        notes=() if plain else (_misses_note(how),),
    ).result(settings)


def _misses_note(misses: str) -> Caution:
    said = {
        "any": "to know the truth or to draw a category by its prevalence",
        "near": "to miss by one category more often than by two",
    }[misses]
    other = "near" if misses == "any" else "any"
    return Caution(
        "misses_assumed",
        f"Raters are taken {said}, each on their own once the truth is given. How they miss "
        f"changes the number: plan with misses={other!r} too where that may be so, and take the "
        "larger.",
    )


def rating_model(kappa: float, shares: np.ndarray, w: np.ndarray, misses: str) -> Model:
    """How raters rate, so that two of them have this kappa with these weights.

    Raises
    ------
    ArgumentError
        With near misses, a kappa so near 1 that hardly any miss is left.
    """
    if misses == "any":
        known = math.sqrt(kappa)
        return Model(shares, known * np.eye(len(shares)) + (1 - known) * shares)
    chance = float(shares @ w @ shares)

    def gap(alike: float) -> float:
        agreed = float((w * _impressions(alike, shares).joint()).sum())
        return (agreed - chance) / (1 - chance) - kappa

    if gap(_HIGHEST) < 0:
        raise ArgumentError(
            "Argument 'kappa' leaves hardly any miss by one category",
            found=repr(kappa),
            next_step="plan a smaller one, or take misses='any'",
        )
    return _impressions(float(optimize.brentq(gap, 0.0, _HIGHEST, xtol=1e-10)), shares)


def _impressions(alike: float, shares: np.ndarray) -> Model:
    """Normal impressions of one truth, correlated as `alike` between raters, cut by prevalence."""
    truth = stats.norm.pdf(_NODES)
    cuts = stats.norm.ppf(np.cumsum(shares)[:-1])
    below = stats.norm.cdf((cuts - math.sqrt(alike) * _NODES[:, None]) / math.sqrt(1 - alike))
    edges = np.column_stack([np.zeros(len(_NODES)), below, np.ones(len(_NODES))])
    return Model(truth / truth.sum(), np.maximum(np.diff(edges, axis=1), 0.0))


def kappa_variance(joint: np.ndarray, w: np.ndarray) -> float:
    """Large-sample variance of Cohen's kappa times the number of subjects.

    Fleiss, Cohen & Everitt 1969, for the probability of each pair of ratings (q, q) and
    the weights of agreement (q, q).
    """
    rows, columns = joint.sum(axis=1), joint.sum(axis=0)
    agreed, chance = float((w * joint).sum()), float(rows @ w @ columns)
    own = (w @ columns)[:, None] + (rows @ w)[None, :]
    square = (joint * (w * (1 - chance) - own * (1 - agreed)) ** 2).sum()
    return float((square - (agreed * chance - 2 * chance + agreed) ** 2) / (1 - chance) ** 4)


def fleiss_variance(model: Model, raters: int, w: np.ndarray) -> float:
    """Large-sample variance of Fleiss' kappa times the number of subjects."""
    counts, share = model.patterns(raters)
    return expected_variance(pair_parts(counts, w), share, corrected(fleiss_chance(w)))


def compositions(total: int, parts: int) -> np.ndarray:
    """All ways to share `total` ratings out over `parts` categories, shape (ways, parts).

    Raises
    ------
    ArgumentError
        If there are more than 100,000.
    """
    ways = math.comb(total + parts - 1, parts - 1)
    if ways > MOST_PATTERNS:
        raise ArgumentError(
            "So many raters and categories have too many patterns of ratings to add up",
            found=f"{total} raters, {parts} categories, {ways} patterns",
            next_step="plan fewer raters, or put rare categories together",
        )
    walls = np.array(list(combinations(range(total + parts - 1), parts - 1)), dtype=int)
    edges = np.column_stack(
        [np.full(ways, -1), walls.reshape(ways, parts - 1), np.full(ways, total + parts - 1)]
    )
    return np.asarray(np.diff(edges, axis=1) - 1)


def _shares(kappa: float, prevalence: Sequence[float]) -> np.ndarray:
    if not 0 <= kappa < 1:
        raise ArgumentError(
            "Argument 'kappa' lies from 0 to below 1",
            found=repr(kappa),
            next_step="give the kappa that you expect",
        )
    shares = np.asarray(list(prevalence), dtype=float)
    if len(shares) < 2 or (shares <= 0).any() or abs(shares.sum() - 1) > 1e-9:
        raise ArgumentError(
            "Argument 'prevalence' holds the share of each category, and they add up to 1",
            found=repr(list(prevalence)),
            next_step="write for example prevalence=[0.7, 0.3]",
        )
    return shares
