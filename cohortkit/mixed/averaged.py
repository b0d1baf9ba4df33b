"""Whether values are single readings or means of several, as the column reads_averaged tells.

Every estimator of agreement and of variance components asks here, so that a mix is met in
the same way everywhere.
"""

from __future__ import annotations

import pandas as pd

from cohortkit.errors import EstimateError
from cohortkit.estimate import Caution


def one_kind(rows: pd.DataFrame) -> None:
    """Stop at means of several readings among single ones; their errors differ in size.

    A table without the column ``reads_averaged`` is not checked: leaving it out is how a
    caller says that pooling is meant.

    Raises
    ------
    EstimateError
        If the column holds more than one value. Counts the rows of each.
    """
    if "reads_averaged" not in rows:
        return
    counts = rows["reads_averaged"].dropna().astype(int).value_counts().sort_index()
    if len(counts) < 2:
        return
    raise EstimateError(
        "The rows mix means of several readings with single ones in column 'reads_averaged', and "
        "a mean has a smaller error",
        found="; ".join(
            f"{n} single" if k == 1 else f"{n} means of {k}" for k, n in counts.items()
        ),
        next_step="keep the rows of one kind, as with reads_averaged == 1, or leave the column "
        "out to pool knowingly",
    )


def averaged_caution(rows: pd.DataFrame) -> list[Caution]:
    """A caution if every value is a mean of several readings."""
    averaged = rows["reads_averaged"].dropna() if "reads_averaged" in rows else pd.Series()
    if averaged.empty or averaged.min() <= 1:
        return []
    return [
        Caution(
            "reads_averaged",
            f"Every value is a mean of {int(averaged.min())} readings: the error of a single "
            "reading is larger.",
        )
    ]
