"""The rows that a threshold question rests on: two classes, one condition, every n."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, TypedDict

import numpy as np

from cohortkit.estimate import Caution, Estimate

MIN_SITES = 3

Classes = Sequence[Any] | str


class Options(TypedDict, total=False):
    """Column names that every threshold estimator takes by keyword.

    Attributes
    ----------
    value
        Gap, a number in `unit`. A larger one speaks for a tear.
    status
        Reference standard: the column that `positive` and `negative` list values of.
    participant
        Who the row belongs to; intervals are clustered by it. None declares that
        all rows are independent.
    finger, site
        Finger (counted only) and site (leave-one-site-out, from three sites on).
    basis
        How the status was found. Rows with `us_gap` are circular.
    below, resolution
        Whether the gap was too small to be seen, and the smallest gap (in `unit`)
        that could be. An unseen gap ranks below every seen one.
    verified
        Whether the status comes from a reference standard.
    unit
        UCUM code of `value`.
    pool
        Names of condition columns (`pulley`, `load`, `reference_structure`) that may
        hold more than one value. Nothing is pooled unasked.
    """

    value: str
    status: str
    participant: str | None
    finger: str | None
    site: str | None
    basis: str | None
    below: str | None
    resolution: str | None
    verified: str | None
    unit: str
    pool: Sequence[str]


DEFAULTS: dict[str, Any] = {
    "value": "gap_mm",
    "status": "status",
    "participant": "participant_id",
    "finger": "finger_id",
    "site": "site_id",
    "basis": "basis",
    "below": "below_resolution",
    "resolution": "resolution_mm",
    "verified": "verified",
    "unit": "mm",
    "pool": (),
}


@dataclass(frozen=True)
class Sample:
    """Two classes of rows as arrays (n rows), with what has to be said about them.

    `value` holds -inf where the gap was too small to be seen. `positive` is the
    reference standard; in an unverified row of `verified` False it means nothing.
    `cluster` holds participant codes 0..I-1.
    """

    value: np.ndarray
    positive: np.ndarray
    cluster: np.ndarray
    verified: np.ndarray
    finger: np.ndarray | None
    site: np.ndarray | None
    resolution: np.ndarray | None
    group: str
    contrast: str
    unit: str
    has_participants: bool
    cautions: tuple[Caution, ...]
    counts: dict[str, int]

    @property
    def repeats(self) -> bool:
        """Whether some participant has more than one row."""
        return len(np.unique(self.cluster)) < len(self.cluster)

    def subset(self, rows: np.ndarray) -> Sample:
        """The same question on some of the rows; participants are coded anew."""
        return replace(
            self,
            value=self.value[rows],
            positive=self.positive[rows],
            cluster=np.unique(self.cluster[rows], return_inverse=True)[1],
            verified=self.verified[rows],
            finger=None if self.finger is None else self.finger[rows],
            site=None if self.site is None else self.site[rows],
            resolution=None if self.resolution is None else self.resolution[rows],
        )

    def class_participants(self) -> tuple[int, int]:
        """Participants with at least one positive, and with at least one negative row."""
        return (
            len(np.unique(self.cluster[self.positive])),
            len(np.unique(self.cluster[~self.positive])),
        )

    def estimate(
        self,
        name: str,
        limits: tuple[float, float, float],
        level: float,
        method: str,
        rows: np.ndarray | None = None,
        unit: str = "1",
    ) -> Estimate:
        """Name a value with its lower and upper limit, and count what it rests on."""
        part = self if rows is None else self.subset(rows)
        value, lower, upper = (float(x) for x in limits)
        bare = np.isnan(lower) and np.isnan(upper)
        return Estimate(
            name,
            value,
            lower,
            upper,
            float("nan") if bare else level,
            unit,
            method,
            self.group,
            len(np.unique(part.cluster)) if self.has_participants else None,
            None if part.finger is None else len(np.unique(part.finger)),
            len(part.value),
        )


def verification_note(sample: Sample) -> list[Caution]:
    """A caution if some rows have a status that no reference standard confirmed."""
    n = int((~sample.verified).sum())
    if not n:
        return []
    return [
        Caution(
            "partial_verification",
            f"{n} of {len(sample.value)} rows were not verified by a reference standard. If large "
            "gaps are verified more often than small ones, sensitivity comes out too high and "
            "specificity too low; see the accuracy corrected for verification.",
        )
    ]


def leave_one_site_out(sample: Sample) -> list[tuple[str, Sample]]:
    """Each site with the sample without it; nothing below three sites."""
    if sample.site is None:
        return []
    names = sorted(set(sample.site) - {""})
    if len(names) < MIN_SITES:
        return []
    return [(name, sample.subset(sample.site != name)) for name in names]


def open_limits(value: float) -> tuple[float, float, float]:
    """A value without an interval."""
    return value, float("nan"), float("nan")
