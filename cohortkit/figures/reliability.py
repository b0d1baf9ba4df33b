"""The reliability figure: variance partition, decision study, raters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.figure import Figure

from cohortkit.estimate import Result
from cohortkit.figures import decision, marks, raters, style, variance

WIDTH_MM = 183
_PER_ROW = 2


def source(
    strata: Mapping[str, tuple[Result | str, Result | str, Result | str]],
) -> pd.DataFrame:
    """The numbers behind the reliability figure.

    Parameters
    ----------
    strata
        Name of each stratum and its three results: reliability, decision study,
        effects of raters. A text instead of a result says why there is none.

    Returns
    -------
    pandas.DataFrame
        A source table (see `cohortkit.figures.marks`). Raters carry no id.
    """
    rows: list[marks.Row] = []
    for name, results in strata.items():
        for panel, maker, result in zip(
            ("variance", "decision", "raters"), (variance, decision, raters), results, strict=True
        ):
            if isinstance(result, str):
                rows.append(marks.mark(panel, name, "none", result))
            else:
                rows += maker.rows(name, result)
    return marks.frame(rows)


@style.styled
def draw(source: pd.DataFrame, footer: Sequence[str] = ()) -> Figure:
    """Draw the reliability figure, 183 mm wide, from its source table."""
    table = marks.checked(source)
    names = marks.series_of(table)
    bands = -(-len(names) // _PER_ROW)
    below = style.footer_height_mm(footer, WIDTH_MM)
    top_mm = 30 + 21.0 * len(names)
    band_mm = min(46.0, (style.PAGE_MM - below - top_mm) / (2 * bands))
    heights = [top_mm, *[band_mm] * (2 * bands)]
    figure = style.new_figure(WIDTH_MM, sum(heights) + below)
    grid = figure.add_gridspec(len(heights), 1, height_ratios=heights)
    top = grid[0].subgridspec(1, 2)
    shares, sds = (figure.add_subplot(top[0, i]) for i in range(2))
    letters = iter("abcdefghijkl")
    style.panel_title(shares, next(letters), "Shares of variance")
    variance.draw_shares(shares, table)
    style.panel_title(sds, next(letters), "The same in mm")
    variance.draw_sds(sds, table)
    across = min(len(names), _PER_ROW)
    for first, title, maker in (
        (1, "Smallest detectable change (mm)", decision.draw_plans),
        (1 + bands, "Raters", raters.draw_effects),
    ):
        lines = [grid[first + i].subgridspec(1, across) for i in range(bands)]
        for j, name in enumerate(names):
            axes = figure.add_subplot(lines[j // _PER_ROW][0, j % _PER_ROW])
            style.panel_title(axes, next(letters), f"{title}: {name}")
            maker(axes, marks.pick(table, series=name), j)
    style.add_footer(figure, footer)
    return figure
