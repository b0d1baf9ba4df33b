"""The reference figure: participants' values and the limits that hold most of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import seaborn
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from cohortkit.display import interval, number
from cohortkit.estimate import Result
from cohortkit.figures import marks, style

WIDTH_MM = 183
BIN_MM = 0.1
_LIMITS = {"lower_limit": "lower limit", "upper_limit": "upper limit"}
_PER_ROW = {89: 1, 183: 2}


def source(strata: Mapping[str, tuple[pd.DataFrame, Result | str]]) -> pd.DataFrame:
    """The numbers behind the reference figure.

    Parameters
    ----------
    strata
        Name of each stratum, its values (one row per participant: gap_mm,
        below_resolution) and its result. A text instead of a result says why
        there is none.

    Returns
    -------
    pandas.DataFrame
        A source table (see `cohortkit.figures.marks`): counts per 0.1 mm (``y``,
        from ``lower`` to ``upper``), gaps below the resolution as one count, and
        the limits (value in ``x``).
    """
    rows = []
    for name, (values, result) in strata.items():
        unseen = values["below_resolution"].fillna(False).astype(bool)
        seen = values.loc[~unseen, "gap_mm"].dropna().astype("float64")
        rows += [
            marks.mark(
                "values", name, "count", x=(low + high) / 2, y=n, lower=low, upper=high, unit="mm"
            )
            for low, high, n in _bins(seen)
        ]
        rows.append(marks.mark("values", name, "unseen", y=int(unseen.sum()), unit="1"))
        if isinstance(result, str):
            rows.append(marks.mark("values", name, "none", result))
            continue
        rows += [
            marks.estimate_mark("values", name, e.name, e) for e in result if e.name in _LIMITS
        ]
    return marks.frame(rows)


def _bins(seen: pd.Series) -> list[tuple[float, float, int]]:
    """Counts per bin; values on an edge (0.1 mm read-outs) stand in the middle of a bin."""
    if seen.empty:
        return []
    steps = np.floor(seen.to_numpy() / BIN_MM + 0.5 + 1e-9).astype(int)
    counts = np.bincount(steps - steps.min())
    first = int(steps.min())
    return [
        (round((first + i - 0.5) * BIN_MM, 6), round((first + i + 0.5) * BIN_MM, 6), int(n))
        for i, n in enumerate(counts)
    ]


@style.styled
def draw(source: pd.DataFrame, footer: Sequence[str] = (), width_mm: int = WIDTH_MM) -> Figure:
    """Draw the reference figure, 89 or 183 mm wide, from its source table."""
    table = marks.checked(source)
    names = marks.series_of(table)
    across = style.of_width(_PER_ROW, width_mm)
    n_rows = math.ceil(len(names) / across)
    below = style.footer_height_mm(footer, width_mm)
    each = min(50.0, (style.PAGE_MM - below - 4) / n_rows)
    figure = style.new_figure(width_mm, each * n_rows + 4 + below)
    grid = figure.subplots(n_rows, across, squeeze=False, sharex=True)
    for i, axes in enumerate(grid.flat):
        if i >= len(names):
            axes.set_axis_off()
            continue
        rows = marks.pick(table, series=names[i])
        limits = rows[rows["mark"].isin(list(_LIMITS))]
        n = marks.n_text(limits.iloc[0]) if len(limits) else _counted(rows)
        style.panel_title(axes, "abcdefgh"[i], names[i], f"n: {n}")
        _values(axes, rows, limits)
        axes.tick_params(labelbottom=True)
    style.add_footer(figure, footer)
    return figure


def _counted(rows: pd.DataFrame) -> str:
    return f"{int(rows['y'].fillna(0).sum())} participants"


def _values(axes: Axes, rows: pd.DataFrame, limits: pd.DataFrame) -> None:
    bars = marks.pick(rows, mark="count")
    if bars.empty:
        style.no_data(axes, marks.reasons(rows))
        return
    edges = [*bars["lower"], float(bars["upper"].iloc[-1])]
    seaborn.histplot(
        data=bars,
        x="x",
        weights="y",
        bins=edges,
        ax=axes,
        color=style.PALETTE["sky"],
        edgecolor="white",
        linewidth=0.4,
        alpha=1,
        legend=False,
    )
    notes = []
    for row in marks.records(limits):
        # A limit among unseen gaps has no value and an open interval: it lies below its upper end.
        low, high = max(row["lower"], 0.0), min(row["upper"], float(bars["upper"].iloc[-1]) + 1)
        axes.axvspan(low, high, color=style.PALE, zorder=0, linewidth=0)
        if math.isfinite(row["x"]):
            axes.axvline(row["x"], color=style.PALETTE["vermillion"], linestyle="--")
        notes.append(_limit_note(row))
    notes += list(marks.pick(rows, mark="none")["label"])
    unseen = int(marks.pick(rows, mark="unseen")["y"].sum())
    if unseen:
        notes.append(f"{unseen} below the resolution, counted but not drawn")
    style.side_notes(axes, notes)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("gap (mm)")
    axes.set_ylabel("participants")


def _limit_note(row: marks.Row) -> str:
    words = _LIMITS[row["mark"]]
    if not math.isfinite(row["x"]):
        return f"{words}\ntoo small to be seen, below {number(row['upper'], 'mm')} mm"
    span = interval(row["lower"], row["upper"], "mm")
    return f"{words}\n{number(row['x'], 'mm')} mm\n{100 * row['level']:g} % interval\n{span}"
