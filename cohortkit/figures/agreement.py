"""The agreement figure: differences between two raters, ICC forms, error in mm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd
import seaborn
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from cohortkit.display import interval, number
from cohortkit.estimate import Result
from cohortkit.figures import marks, style
from cohortkit.figures.forest import draw_forest
from cohortkit.figures.words import ERRORS, ICC_FORMS

WIDTH_MM = 183
_PER_ROW = 2
_LINES = {"upper_limit": "upper limit", "bias": "bias", "lower_limit": "lower limit"}


def source(strata: Mapping[str, tuple[Result | str, Result | str]]) -> pd.DataFrame:
    """The numbers behind the agreement figure.

    Parameters
    ----------
    strata
        Name of each stratum and its two results: limits of agreement (with
        ``.pairs``) and ICC. A text instead of a result says why there is none.

    Returns
    -------
    pandas.DataFrame
        A source table (see `cohortkit.figures.marks`). Pairs are in order of
        their mean and carry no id.
    """
    rows = []
    for name, (limits, icc) in strata.items():
        if isinstance(limits, str):
            rows.append(marks.mark("difference", name, "none", limits))
        else:
            pairs = getattr(limits, "pairs").sort_values(["mean", "difference"])  # noqa: B009
            rows += [
                marks.mark("difference", name, "pair", x=x, y=y, unit="mm")
                for x, y in zip(pairs["mean"], pairs["difference"], strict=True)
            ]
            rows += [marks.estimate_mark("difference", name, key, limits[key]) for key in _LINES]
        if isinstance(icc, str):
            rows.append(marks.mark("icc", name, "none", icc))
            continue
        for panel, labels in (("icc", ICC_FORMS), ("error", ERRORS)):
            rows += [
                marks.estimate_mark(panel, name, "estimate", e) for e in icc if e.name in labels
            ]
    return marks.frame(rows)


@style.styled
def draw(source: pd.DataFrame, footer: Sequence[str] = ()) -> Figure:
    """Draw the agreement figure, 183 mm wide, from its source table."""
    table = marks.checked(source)
    names = marks.series_of(table)
    rows_of_panels = math.ceil(len(names) / _PER_ROW)
    heights = [58.0] * rows_of_panels + [max(58.0, 16 + 21.0 * len(names))]
    height = sum(heights) + style.footer_height_mm(footer, WIDTH_MM)
    figure = style.new_figure(WIDTH_MM, height)
    grid = figure.add_gridspec(len(heights), 1, height_ratios=heights)
    across = min(len(names), _PER_ROW)
    bands = [grid[i].subgridspec(1, across) for i in range(rows_of_panels)]
    lower = grid[-1].subgridspec(1, 2)
    panels = [figure.add_subplot(bands[i // _PER_ROW][0, i % _PER_ROW]) for i in range(len(names))]
    for i, (axes, name) in enumerate(zip(panels, names, strict=True)):
        rows = marks.pick(table, panel="difference", series=name)
        bias = marks.pick(rows, mark="bias")
        n = f"n: {marks.n_text(bias.iloc[0])}" if len(bias) else ""
        style.panel_title(axes, "abcdefgh"[i], name, n)
        _differences(axes, rows, i)
    left, right = (figure.add_subplot(lower[0, i]) for i in range(2))
    style.panel_title(left, "abcdefgh"[len(names)], "Reliability (no unit)")
    style.panel_title(right, "abcdefgh"[len(names) + 1], "Measurement error (mm)")
    _forest(left, table, "icc", ICC_FORMS, "1")
    _forest(right, table, "error", ERRORS, "mm")
    left.set_xlim(left=min(0.0, left.get_xlim()[0]), right=1.02)
    right.set_xlim(left=0.0)
    style.add_footer(figure, footer)
    return figure


def _differences(axes: Axes, rows: pd.DataFrame, j: int) -> None:
    if len(marks.pick(rows, mark="none")):
        style.no_data(axes, marks.reasons(rows))
        return
    pairs = marks.pick(rows, mark="pair")
    colour = style.CYCLE[j]
    seaborn.scatterplot(
        data=pairs,
        x="x",
        y="y",
        ax=axes,
        color=colour,
        marker=style.MARKERS[j],
        s=10,
        alpha=0.6,
        linewidth=0,
        legend=False,
    )
    axes.axhline(0, color=style.GREY, linewidth=0.5, linestyle=":")
    for key, words in _LINES.items():
        row = marks.pick(rows, mark=key).iloc[0]
        axes.axhspan(row["lower"], row["upper"], color=style.PALE, zorder=0, linewidth=0)
        axes.axhline(
            row["x"],
            color=style.PALETTE["black"],
            linewidth=0.9,
            linestyle="-" if key == "bias" else "--",
        )
        limits = interval(row["lower"], row["upper"], "mm")
        axes.annotate(
            f"{words}\n{number(row['x'], 'mm')}\n{limits}",
            (1.02, row["x"]),
            xycoords=axes.get_yaxis_transform(),
            va="center",
            fontsize=style.SMALL_PT,
            annotation_clip=False,
        )
    axes.set_xlabel("mean of the two readings (mm)")
    axes.set_ylabel("difference (mm)")


def _forest(
    axes: Axes, table: pd.DataFrame, panel: str, labels: Mapping[str, str], unit: str
) -> None:
    rows = marks.pick(table, panel=panel, mark="estimate")
    if rows.empty:
        style.no_data(axes, marks.reasons(marks.pick(table, panel="icc")))
        return
    draw_forest(axes, rows, labels, unit)
    for j, name in enumerate(marks.series_of(rows)):
        first = marks.pick(rows, series=name).iloc[0]
        axes.plot(
            [], [], style.MARKERS[j], color=style.CYCLE[j], label=f"{name}: {marks.n_text(first)}"
        )
    axes.legend(loc="upper left", bbox_to_anchor=(-0.25, -0.12), handletextpad=0.2, borderpad=0)
