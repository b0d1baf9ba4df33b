"""Ratings of subjects by raters in categories, laid out as one table of codes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypedDict

import numpy as np
import pandas as pd

from cohortkit import checks
from cohortkit.agreement.categories import declared_order, encode, ordered_categories
from cohortkit.agreement.reading_kinds import KINDS, one_kind, scanning_caution, stored_count
from cohortkit.agreement.shared_rows import (
    asked,
    filled,
    groups,
    one_a_cell,
    one_participant_each,
)
from cohortkit.display import counted
from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution, Estimate

_FEW = 30
_MOSTLY = 0.8
_FEW_OTHER = 10


class RatingOptions(TypedDict, total=False):
    """Column names and numbers that every estimator of rated categories takes by keyword.

    Attributes
    ----------
    subject
        What was rated: one episode, one scan.
    rater
        Who rated it.
    value
        The category given.
    participant
        Who the subject belongs to; intervals are clustered by it. None states
        that subjects are independent.
    n_boot, seed
        Resamples and seed of ``interval="bootstrap"``; not used otherwise.
    """

    subject: str
    rater: str
    value: str
    participant: str | None
    n_boot: int
    seed: int


_DEFAULTS: dict[str, Any] = {
    "subject": "episode_id",
    "rater": "rater_id",
    "value": "status",
    "participant": "participant_id",
    "n_boot": 2000,
    "seed": 0,
}


@dataclass(frozen=True)
class Ratings:
    """Codes of n subjects by k raters: positions in `categories`, -1 where there is none.

    `cluster` holds participant codes 0..I-1 of the subjects, `fingers` finger codes if
    the table names fingers.
    """

    codes: np.ndarray
    categories: tuple[Any, ...]
    subjects: list[Any]
    raters: list[Any]
    cluster: np.ndarray
    fingers: np.ndarray | None
    settings: dict[str, Any]
    cautions: tuple[Caution, ...]

    @property
    def n_participants(self) -> int:
        """Number of participants."""
        return int(self.cluster.max()) + 1

    @property
    def repeats(self) -> bool:
        """Whether some participant has more than one subject."""
        return self.n_participants < len(self.cluster)

    @property
    def counts(self) -> np.ndarray:
        """How many raters gave each subject each category, shape (n, q)."""
        return (self.codes[:, :, None] == np.arange(len(self.categories))).sum(axis=1)

    def subset(self, kept: np.ndarray) -> Ratings:
        """The same ratings of some subjects; participants are coded and counted anew."""
        some = replace(
            self,
            codes=self.codes[kept],
            subjects=[s for s, k in zip(self.subjects, kept, strict=True) if k],
            cluster=np.unique(self.cluster[kept], return_inverse=True)[1],
            fingers=None if self.fingers is None else self.fingers[kept],
        )
        others = (c for c in self.cautions if c.code != "few_participants")
        return replace(some, cautions=(*_few(some), *others))

    def build(self) -> partial[Estimate]:
        """An `Estimate` that already knows the n and that it is a pure number."""
        return partial(
            Estimate,
            unit="1",
            n_participants=self.n_participants,
            n_fingers=None if self.fingers is None else len(np.unique(self.fingers)),
            n_readings=int((self.codes >= 0).sum()),
        )


def rated(
    data: Any,
    *,
    categories: Sequence[Any] | None,
    order_matters: bool,
    missing: str,
    options: RatingOptions,
    raters: Sequence[Any] | None = None,
) -> Ratings:
    """Check a table of ratings and lay it out.

    A subject that a rater did not rate is a gap in the layout, not a missing
    value: it needs no ``missing="drop"``, but is counted in a caution.

    A category is no mean of readings, and a table of ratings seldom names
    ``reads_averaged``. One that does holds categories made from gaps, or gaps
    themselves; means among single readings are then refused, as everywhere.

    Raises
    ------
    ArgumentError
        An unknown option, or categories that are not known.
    TableError
        Absent columns, missing values, a subject with two participants, a rating
        outside the categories.
    EstimateError
        Several pulleys mixed, two ratings of a subject by a rater, fewer than two
        raters, fewer than two subjects that were rated twice, or categories made
        from means of several readings among those from single ones.
    """
    spec = _spec(options)
    frame = checks.as_frame(data)
    checks.one_quantity(frame, ("pulley",))
    rows = checks.columns(
        frame, {role: spec[role] for role in ("subject", "rater", "value", "participant")}
    )
    checks.distinct(rows["value"])
    named = list(rows.columns)
    for name in ("finger_id", *KINDS):
        if list(frame.columns).count(name) == 1 and name not in spec.values():
            rows[name] = frame[name].reset_index(drop=True)
    if raters is not None:
        checks.present(frame[spec["rater"]], raters, "rater")
        rows = asked(rows, "rater", raters)
    _, n_missing = checks.without_missing(rows[named], missing)
    kept = rows[rows[named].notna().all(axis=1)].reset_index(drop=True)
    one_kind(kept)
    _one_rating_a_cell(kept)
    _rated_twice(kept, len(rows))
    known = ordered_categories(
        kept["value"],
        spec["value"],
        declared_order(frame[spec["value"]]) if categories is None else categories,
        order_matters=order_matters,
    )
    laid = _laid_out(kept, known, raters)
    settings = {
        **{k: v for k, v in spec.items() if k not in ("n_boot", "seed")},
        "categories": [str(c) for c in known],
        "raters": [str(r) for r in laid.raters],
        "missing": missing,
    }
    notes = (*_left_out(n_missing), *scanning_caution(stored_count(kept), len(kept)))
    return replace(laid, settings=settings, cautions=(*notes, *_cautions(laid)))


def resampling_options(options: RatingOptions) -> tuple[int, int]:
    """`n_boot` and `seed`."""
    spec = _spec(options)
    return checks.count("n_boot", spec["n_boot"]), checks.count("seed", spec["seed"], minimum=0)


def prevalence(codes: np.ndarray, n_categories: int) -> np.ndarray:
    """Share of all ratings in each category."""
    counts = np.bincount(codes[codes >= 0], minlength=n_categories)
    return counts / counts.sum()


def prevalence_caution(ratings: Ratings) -> list[Caution]:
    """A caution for kappa and alpha where nearly all ratings fall in one category."""
    shares = prevalence(ratings.codes, len(ratings.categories))
    top = int(np.argmax(shares))
    if not _MOSTLY <= shares[top] < 1:
        return []
    return [
        Caution(
            "mostly_one_category",
            f"{100 * shares[top]:.0f} % of the ratings are '{ratings.categories[top]}'. This "
            "coefficient is low then even where raters nearly always agree (Feinstein & Cicchetti "
            "1990): read gwet_ac and specific_agreement beside it (80 % or more; common practice, "
            "no source).",
        )
    ]


def rarity_caution(ratings: Ratings) -> list[Caution]:
    """A caution where hardly any subject was rated other than the commonest category."""
    top = int(np.argmax(prevalence(ratings.codes, len(ratings.categories))))
    other = int(((ratings.codes >= 0) & (ratings.codes != top)).any(axis=1).sum())
    if not 0 < other < _FEW_OTHER:
        return []
    return [
        Caution(
            "hardly_any_other_category",
            f"Only {other} of {len(ratings.codes)} subjects were ever rated other than "
            f"'{ratings.categories[top]}'. Intervals then hold less often than they say (82 % "
            "instead of 95 % measured for kappa: docs/methods/cohen_kappa.md).",
        )
    ]


def _spec(options: RatingOptions) -> dict[str, Any]:
    return filled(_DEFAULTS, options, "Agreement on categories does")


def _one_rating_a_cell(rows: pd.DataFrame) -> None:
    one_a_cell(
        rows,
        ("rater", "subject"),
        "A rater has more than one rating of a subject",
        noun="rating",
        next_step="keep one rating a rater, or name the column that tells the subjects apart",
    )
    one_participant_each(rows)


def _rated_twice(rows: pd.DataFrame, n_rows: int) -> None:
    raters = rows["rater"].nunique()
    twice = int((rows.groupby("subject").size() > 1).sum())
    if raters < 2 or twice < 2:
        raise EstimateError(
            "Agreement needs at least two raters and two subjects that both rated",
            found=f"{counted(n_rows, 'row')}, {counted(raters, 'rater')}, "
            f"{counted(twice, 'subject')} rated more than once",
            next_step="check the filters that made this table; a second rater is needed",
        )


def _laid_out(
    rows: pd.DataFrame, categories: tuple[Any, ...], raters: Sequence[Any] | None
) -> Ratings:
    place, subjects = pd.factorize(rows["subject"], sort=True)
    found = pd.factorize(rows["rater"], sort=True)[1]
    order = list(found) if raters is None else list(raters)
    codes = np.full((len(subjects), len(order)), -1, dtype=np.intp)
    codes[place, pd.Index(order).get_indexer(rows["rater"])] = encode(rows["value"], categories)

    def of_each(code: np.ndarray) -> np.ndarray:
        each = np.empty(len(subjects), dtype=np.intp)
        each[place] = code
        return np.unique(each, return_inverse=True)[1]

    fingers = pd.factorize(rows.get("finger_id", rows["subject"]), use_na_sentinel=False)[0]
    return Ratings(
        codes,
        categories,
        subjects=list(subjects),
        raters=order,
        cluster=of_each(checks.codes(rows["participant" if "participant" in rows else "subject"])),
        fingers=of_each(fingers) if "finger_id" in rows else None,
        settings={},
        cautions=(),
    )


def _left_out(n_missing: int) -> tuple[Caution, ...]:
    if not n_missing:
        return ()
    message = (
        f"Ratings with a missing value, left out: {n_missing}. If they are missing because of "
        "what was seen, the result is biased."
    )
    return (Caution("left_out", message),)


def _cautions(laid: Ratings) -> list[Caution]:
    n, k = laid.codes.shape
    absent = int((laid.codes < 0).sum())
    once = int(((laid.codes >= 0).sum(axis=1) == 1).sum())
    shares = prevalence(laid.codes, len(laid.categories))
    unused = [str(c) for c, s in zip(laid.categories, shares, strict=True) if s == 0]
    top = int(np.argmax(shares))
    parts = _groups_of_raters(laid.codes)
    found = {
        "ratings_absent": (
            absent > 0,
            f"{absent} of {n * k} ratings {'does' if absent == 1 else 'do'} not exist: not every "
            "rater rated every subject. "
            f"{once} {'subject has' if once == 1 else 'subjects have'} one rating only.",
        ),
        "raters_do_not_cross": (
            parts > 1,
            f"The raters form {parts} groups that share no subject: agreement between groups was "
            "not seen, and a difference between their subjects counts as agreement beyond chance.",
        ),
        "category_not_used": (
            bool(unused) and sum(s > 0 for s in shares) > 1,
            f"No rating falls in {', '.join(unused)}. The number of categories counts in AC1, AC2 "
            "and in weights.",
        ),
        "one_category_only": (
            shares[top] == 1,
            f"All ratings are '{laid.categories[top]}': agreement beyond chance cannot be judged. "
            "Kappa and alpha do not exist; AC1 and AC2 are 1 by their definition.",
        ),
    }
    said = [Caution(code, message) for code, (holds, message) in found.items() if holds]
    return [*_few(laid), *said]


def _few(laid: Ratings) -> list[Caution]:
    if laid.n_participants >= _FEW:
        return []
    return [
        Caution(
            "few_participants",
            f"{counted(laid.n_participants, 'participant')}: intervals are wide and rest on "
            "assumptions (fewer than 30; common practice, no source). With 20 participants they "
            "covered 93 to 98 % instead of 95 %.",
        )
    ]


def _groups_of_raters(codes: np.ndarray) -> int:
    """Number of groups of raters and subjects that no rating connects."""
    return int(groups(*np.nonzero(codes >= 0)).max()) + 1
