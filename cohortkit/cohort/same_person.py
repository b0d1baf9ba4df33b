"""Pairs of participants who may be one person. They are listed, never merged.

Record linkage after Fellegi & Sunter (1969, J Am Stat Assoc 64:1183-1210): each
thing compared adds log2(m / u) bits, where m is how often one person's two
records agree so well, and u how often two persons' records do. The m are the
assumptions written below. The u are counted in the pool itself and drawn towards
the written values where the pool is small.

From the u follows how many pairs of different persons reach a given sum of bits
(the things compared taken as independent, once age and sex agree). The cut is the
lowest sum that at most `expected_false` of the pool's pairs are expected to reach
by chance, however large the pool is, and never below `LEAST_BITS`.

Days count from each person's own enrolment, so the onset of one injury cannot be
compared between two records; the days between two injuries can.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

COLUMNS = (
    "participant_id_1", "site_id_1", "participant_id_2", "site_id_2",
    "evidence_bits", "agrees", "differs",
)  # fmt: skip

LEAST_BITS = 6.0
FURTHEST_AGE = 3.0  # completed years may differ by the time between two enrolments
ONSET_TOLERANCE_DAYS = 14
_PRIOR_PAIRS = 500.0
_CHUNK_PAIRS = 500_000
_MISSING = -1
_GRID = 0.05  # bits


@dataclass(frozen=True)
class Comparison:
    """One thing compared: its levels from best to worst agreement.

    `within` holds the largest difference of each level but the last; empty for
    codes, which agree or not. `match` is m per level, `chance` the u per level
    that small pools are drawn towards.
    """

    name: str
    within: tuple[float, ...]
    match: tuple[float, ...]
    chance: tuple[float, ...]


NUMBERS = (
    Comparison("age_years", (0, 1), (0.60, 0.30, 0.10), (0.15, 0.28, 0.57)),
    Comparison("height_cm", (0.5, 2), (0.55, 0.35, 0.10), (0.05, 0.20, 0.75)),
    Comparison("climbing_years", (0.5, 2), (0.45, 0.40, 0.15), (0.08, 0.22, 0.70)),
    Comparison("level_ircra", (0, 2), (0.40, 0.45, 0.15), (0.10, 0.32, 0.58)),
)
CODES = (
    Comparison("sex", (), (0.99, 0.01), (0.55, 0.45)),
    Comparison("dominant_side", (), (0.97, 0.03), (0.80, 0.20)),
)
INJURIES = Comparison("injured finger", (), (0.45, 0.30, 0.25), (0.04, 0.10, 0.86))
"""Levels: a finger hurt by the same mechanism in both; a finger hurt in both; none."""
DISTANCES = Comparison("days between injuries", (), (0.80, 0.20), (0.05, 0.95))
_ALL = (*NUMBERS, *CODES, INJURIES, DISTANCES)
_NO_PAIRS = np.empty((0, 2), dtype=int)
_NO_LEVELS = np.empty((0, len(_ALL)), dtype=np.int8)
_STATED = {"sex": ("female", "male"), "dominant_side": ("left", "right", "both")}


def same_person_candidates(
    tables: Mapping[str, pd.DataFrame], *, expected_false: float = 5.0
) -> pd.DataFrame:
    """Pairs that agree better than chance allows, the strongest first.

    Compared are sex, age, height, years of climbing, level, writing hand, the
    injured fingers with their mechanism, and the days between injuries of two
    fingers. Pairs of stated and different sex, or more than three years apart in
    age, are not compared. A missing value says nothing either way.

    Parameters
    ----------
    tables
        Pooled ``participants`` and ``episodes``.
    expected_false
        How many pairs may be listed by chance alone, at most.

    Returns
    -------
    pandas.DataFrame
        ``participant_id_1, site_id_1, participant_id_2, site_id_2`` (in the order
        of their ids), ``evidence_bits``, and in words what ``agrees`` and what
        ``differs``. Both records may be of one site.
    """
    people = tables["participants"].sort_values("age_years", kind="stable", na_position="last")
    people = people.reset_index(drop=True)
    facts = _Facts(people, tables["episodes"])
    weights, chances, compared = _weights(facts)
    cut = max(LEAST_BITS, _chance_cut(weights, chances, expected_false / max(compared, 1)))
    pairs, levels, bits = [_NO_PAIRS], [_NO_LEVELS], [np.empty(0)]
    for i, j in facts.pairs():
        level = facts.levels(i, j)
        score = sum(w[level[:, k]] for k, w in enumerate(weights))
        hit = score >= cut
        pairs.append(np.column_stack([i[hit], j[hit]]))
        levels.append(level[hit])
        bits.append(score[hit])
    return _listed(people, np.concatenate(pairs), np.concatenate(levels), np.concatenate(bits))


def _weights(facts: _Facts) -> tuple[list[np.ndarray], list[np.ndarray], int]:
    """Bits and chance per comparison and level, last entry missing; pairs compared."""
    counts = [np.zeros(len(c.match) + 1) for c in _ALL]
    compared = 0
    for i, j in facts.pairs():
        level = facts.levels(i, j)
        compared += len(level)
        for k, total in enumerate(counts):
            total += np.bincount(level[:, k] % len(total), minlength=len(total))
    weights, chances = [], []
    for comparison, total in zip(_ALL, counts, strict=True):
        missing = total[-1] / max(compared, 1)
        prior = _PRIOR_PAIRS * np.array(comparison.chance)
        chance = (total[:-1] + prior) / (total[:-1].sum() + _PRIOR_PAIRS)
        weights.append(np.append(np.log2(np.array(comparison.match) / chance), 0.0))
        chances.append(np.append(chance * (1 - missing), missing))
    return weights, chances, compared


def _chance_cut(weights: list[np.ndarray], chances: list[np.ndarray], share: float) -> float:
    """Lowest sum of bits that at most `share` of different persons' pairs reach."""
    spread, lowest = np.ones(1), 0.0
    for weight, chance in zip(weights, chances, strict=True):
        steps = np.round((weight - weight.min()) / _GRID).astype(int)
        spread = np.convolve(spread, np.bincount(steps, weights=chance))
        lowest += weight.min()
    reached = np.cumsum(spread[::-1])[::-1]
    return lowest + _GRID * float(np.sum(reached > share))


class _Facts:
    """What is compared, as arrays in the order of the (age-sorted) participants."""

    def __init__(self, people: pd.DataFrame, episodes: pd.DataFrame) -> None:
        self.n = len(people)
        self.numbers = [people[c.name].astype("float64").to_numpy() for c in NUMBERS]
        self.codes = [_numbered(people[c.name], _STATED[c.name]) for c in CODES]
        own = dict(zip(people["participant_id"].astype(object), range(self.n), strict=True))
        self.fingers = np.zeros(self.n, dtype=np.uint64)
        self.mechanisms = np.zeros(self.n, dtype=np.uint64)
        self.onsets: list[dict[int, float]] = [{} for _ in range(self.n)]
        self._read_episodes(episodes, own)

    def _read_episodes(self, episodes: pd.DataFrame, own: dict[str, int]) -> None:
        fingers = pd.factorize(episodes["side"] + "|" + episodes["digit"], sort=True)[0]
        known = episodes["mechanism"].where(~episodes["mechanism"].isin(["unknown", "other"]))
        mechanisms = pd.factorize(known, sort=True)[0]
        onsets = episodes["onset_day"].astype("float64")
        ids = episodes["participant_id"].astype(object)
        for person, finger, mechanism, onset in zip(ids, fingers, mechanisms, onsets, strict=True):
            at = own.get(person)
            if at is None or finger < 0:
                continue
            self.fingers[at] |= np.uint64(1) << np.uint64(finger)
            if mechanism >= 0:
                self.mechanisms[at] |= np.uint64(1) << np.uint64(8 * mechanism + finger)
            if not np.isnan(onset):
                self.onsets[at].setdefault(int(finger), float(onset))

    def pairs(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Positions of the pairs that are compared, in chunks."""
        ages = self.numbers[0]
        known = int(np.sum(~np.isnan(ages)))
        first = np.arange(self.n)
        last = np.full(self.n, self.n)
        last[:known] = np.searchsorted(ages[:known], ages[:known] + FURTHEST_AGE, side="right")
        spans = [(first, first + 1, last)]
        if 0 < known < self.n:
            spans.append((first[:known], np.full(known, known), np.full(known, self.n)))
        for i, low, high in spans:
            sizes = high - low
            chunk = np.cumsum(sizes) // _CHUNK_PAIRS
            for part in np.unique(chunk):
                rows = chunk == part
                left = np.repeat(i[rows], sizes[rows])
                starts = np.repeat(np.cumsum(sizes[rows]) - sizes[rows], sizes[rows])
                right = np.arange(len(left)) - starts + np.repeat(low[rows], sizes[rows])
                sex = self.codes[0]
                may = (sex[left] == sex[right]) | (sex[left] < 0) | (sex[right] < 0)
                yield left[may], right[may]

    def levels(self, i: np.ndarray, j: np.ndarray) -> np.ndarray:
        """Level of agreement of each pair in each comparison; -1 is missing."""
        found = np.full((len(i), len(_ALL)), _MISSING, dtype=np.int8)
        for k, (comparison, values) in enumerate(zip(NUMBERS, self.numbers, strict=True)):
            apart = np.abs(values[i] - values[j])
            level = np.searchsorted(np.array(comparison.within), apart, side="left")
            found[:, k] = np.where(np.isnan(apart), _MISSING, level)
        for k, codes in enumerate(self.codes, start=len(NUMBERS)):
            missing = (codes[i] < 0) | (codes[j] < 0)
            found[:, k] = np.where(missing, _MISSING, codes[i] != codes[j])
        shared = self.fingers[i] & self.fingers[j]
        alike = (self.mechanisms[i] & self.mechanisms[j]) != 0
        injured = (self.fingers[i] != 0) & (self.fingers[j] != 0)
        level = np.where(alike, 0, np.where(shared != 0, 1, 2))
        found[:, -2] = np.where(injured, level, _MISSING)
        several = np.flatnonzero(shared & (shared - np.uint64(1)) * (shared != 0))
        for row in several:
            found[row, -1] = self._distance_level(int(i[row]), int(j[row]))
        return found

    def _distance_level(self, a: int, b: int) -> int:
        both = sorted(self.onsets[a].keys() & self.onsets[b].keys())
        apart = [
            abs((self.onsets[a][y] - self.onsets[a][x]) - (self.onsets[b][y] - self.onsets[b][x]))
            for x, y in combinations(both, 2)
        ]
        if not apart:
            return _MISSING
        return 0 if min(apart) <= ONSET_TOLERANCE_DAYS else 1


def _numbered(column: pd.Series, stated: tuple[str, ...]) -> np.ndarray:
    order = {code: k for k, code in enumerate(stated)}
    return np.array([order.get(v, _MISSING) for v in column.astype(object)], dtype=int)


def _listed(
    people: pd.DataFrame, pairs: np.ndarray, levels: np.ndarray, bits: np.ndarray
) -> pd.DataFrame:
    ids = people["participant_id"].astype(object).to_numpy()
    sites = people["site_id"].astype(object).to_numpy()
    rows = []
    for (i, j), level, score in zip(pairs, levels, bits, strict=True):
        first, second = sorted((i, j), key=lambda at: (sites[at], ids[at]))
        agrees = [_words(c, k) for c, k in zip(_ALL, level, strict=True) if 0 <= k < _worst(c)]
        differs = [c.name for c, k in zip(_ALL, level, strict=True) if k == _worst(c)]
        rows.append(
            (ids[first], sites[first], ids[second], sites[second], float(score),
             ", ".join(agrees), ", ".join(differs))
        )  # fmt: skip
    rows.sort(key=lambda row: (-row[4], *row[:4]))
    frame = pd.DataFrame(rows, columns=list(COLUMNS), dtype=object)
    words = dict.fromkeys(COLUMNS, "string") | {"evidence_bits": "float64"}
    return frame.astype(words)


def _worst(comparison: Comparison) -> int:
    return len(comparison.match) - 1


def _words(comparison: Comparison, level: int) -> str:
    if comparison is INJURIES:
        return "injured finger and mechanism" if level == 0 else "injured finger"
    if comparison.within and level > 0:
        return f"{comparison.name} (near)"
    return comparison.name
