"""The agreement figure: differences between two raters, ICC forms, error in mm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from cohortkit.estimate import Result
from cohortkit.figures import limits as limits_panel
from cohortkit.figures import marks, style
from cohortkit.figures.forest import draw_forest
from cohortkit.figures.words import ERRORS, ICC_FORMS

WIDTH_MM = 183
_PER_ROW = 2


def source(
    strata: Mapping[str, tuple[Result | str, Result | str | None]],
) -> pd.DataFrame:
    """The numbers behind the agreement figure.

    Parameters
    ----------
    strata
        Name of each stratum and its two results: limits of agreement of any kind
        (see `cohortkit.figures.limits`) and ICC. A text instead of a result says
        why there is none; None instead of the ICC leaves its panels out.

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
            rows += limits_panel.rows(name, limits)
        if icc is None:
            continue
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
    """Draw the agreement figure, 183 mm wide, from its source table.

    Without any ICC in the table it is the panels of the limits alone.
    """
    table = marks.checked(source)
    names = marks.series_of(table)
    rows_of_panels = math.ceil(len(names) / _PER_ROW)
    with_icc = bool(table["panel"].eq("icc").any())
    heights = [58.0] * rows_of_panels + [max(58.0, 16 + 21.0 * len(names))] * with_icc
    height = sum(heights) + style.footer_height_mm(footer, WIDTH_MM)
    figure = style.new_figure(WIDTH_MM, height)
    grid = figure.add_gridspec(len(heights), 1, height_ratios=heights)
    across = min(len(names), _PER_ROW)
    bands = [grid[i].subgridspec(1, across) for i in range(rows_of_panels)]
    panels = [figure.add_subplot(bands[i // _PER_ROW][0, i % _PER_ROW]) for i in range(len(names))]
    for i, (axes, name) in enumerate(zip(panels, names, strict=True)):
        rows = marks.pick(table, panel="difference", series=name)
        bias = limits_panel.counted(rows)
        n = f"n: {marks.n_text(bias)}" if bias else ""
        style.panel_title(axes, "abcdefgh"[i], name, n)
        limits_panel.draw_limits(axes, rows, i)
    if with_icc:
        lower = grid[-1].subgridspec(1, 2, wspace=0.08)
        left, right = (figure.add_subplot(lower[0, i]) for i in range(2))
        _reliability(left, right, table, "abcdefgh"[len(names) :])
    style.add_footer(figure, footer)
    return figure


def _reliability(left: Axes, right: Axes, table: pd.DataFrame, letters: str) -> None:
    style.panel_title(left, letters[0], "Reliability (no unit)")
    style.panel_title(right, letters[1], "Measurement error (mm)")
    _forest(left, table, "icc", ICC_FORMS, "1")
    _forest(right, table, "error", ERRORS, "mm")
    left.set_xlim(left=min(0.0, left.get_xlim()[0]), right=1.02)
    right.set_xlim(left=0.0)


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
    style.legend_below(axes, -0.25, handletextpad=0.2)
