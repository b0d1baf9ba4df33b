"""The assumptions of limits of agreement: a normal plot, and slopes of difference and spread."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from cohortkit.agreement.limit_assumptions import NAMES, LimitAssumptions
from cohortkit.display import interval, number, p_value
from cohortkit.figures import marks, style

WIDTH_MM = 183
PANELS = {"bias": "difference_on_mean", "spread": "absolute_residual_on_mean",
          "normal": "normal_differences"}  # fmt: skip
_TITLES = {"bias": "difference", "spread": "spread", "normal": "normal plot"}
_VALUES = {"bias": "difference", "spread": "distance"}
_MOST = {89: 2, 183: 4}  # strata that fit on a page
_PANEL_MM = 50.0
_NARROW = 22  # characters of a title in a panel of half a column
_NOTHING = {
    "bias": "Not asked: each rater has a bias of its own from the mean of all raters.",
    "spread": "No slope: fewer than four participants, or nothing differs.",
    "normal": "No normal plot: fewer than four participants, or all differences are equal.",
}
_NO_TEST = "no test (takes 8 to 5,000)"
_AXES = {
    "mm": {
        "bias": ("mean of readings (mm)", "difference (mm)"),
        "spread": ("mean of readings (mm)", "distance from line (mm)"),
        "normal": ("expected if normal (mm)", "difference seen (mm)"),
    },
    "log": {
        "bias": ("mean of the logarithms", "log ratio"),
        "spread": ("mean of the logarithms", "distance from line"),
        "normal": ("expected if normal", "log ratio seen"),
    },
    "all": {
        "bias": ("mean of readings (mm)", ""),
        "spread": ("mean of readings (mm)", "SD of readings (mm)"),
        "normal": ("expected if normal (mm)", "deviation seen (mm)"),
    },
    "sd": {
        "bias": ("mean of readings (mm)", "difference (mm)"),
        "spread": ("mean of readings (mm)", "distance from line (mm)"),
        "normal": ("expected if normal (SD)", "distance seen (SD)"),
    },
}


def source(strata: Mapping[str, LimitAssumptions | str]) -> pd.DataFrame:
    """The numbers behind the figure of the assumptions.

    Parameters
    ----------
    strata
        Name of each stratum and its result. A text instead of a result says why
        there is none.

    Returns
    -------
    pandas.DataFrame
        A source table (see `cohortkit.figures.marks`): ``point`` (one per participant,
        in order of the mean, without id), ``line`` with its band, and ``check``, whose
        value is in ``x`` and p value in ``y``. The label says what the axes show.
    """
    rows: list[marks.Row] = []
    for name, result in strata.items():
        if isinstance(result, str):
            rows += [marks.mark(panel, name, "none", result) for panel in PANELS]
        else:
            kind = _kind(result)
            for panel, check in PANELS.items():
                rows += _points(name, panel, kind, result) + _check(name, panel, check, result)
    return marks.frame(rows)


def _kind(result: LimitAssumptions) -> str:
    """Which words the axes take: mm, logarithms, all raters, or SDs about a line."""
    if result.points["difference"].isna().all():
        return "all"
    if result.settings.get("scale") == "log":
        return "log"
    return "sd" if "at" in result.settings else "mm"


def _points(name: str, panel: str, kind: str, result: LimitAssumptions) -> list[marks.Row]:
    level = float(result.settings["level"])
    if panel == "normal":
        return [
            marks.mark(panel, name, "point", kind, x=q["expected"], y=q["observed"],
                       lower=q["lower"], upper=q["upper"], level=level)
            for q in marks.records(result.quantiles)
        ]  # fmt: skip
    points = result.points.sort_values(["mean", _VALUES[panel]])
    found = [
        marks.mark(panel, name, "point", kind, x=p["mean"], y=p[_VALUES[panel]])
        for p in marks.records(points)
        if p[_VALUES[panel]] == p[_VALUES[panel]]
    ]
    lines = result.lines
    here = lines[lines["check"] == PANELS[panel]] if len(lines) else lines
    return found + [
        marks.mark(panel, name, "line", kind, x=at["mean"], y=at["value"], lower=at["lower"],
                   upper=at["upper"], level=level)
        for at in marks.records(here)
    ]  # fmt: skip


def _check(name: str, panel: str, check: str, result: LimitAssumptions) -> list[marks.Row]:
    held = {e.name: e for e in result}
    estimate = held.get(NAMES[check])
    if estimate is None:
        return []
    p = float(result.checks.set_index("check")["p_value"][check])
    return [{**marks.estimate_mark(panel, name, "check", estimate), "y": p}]


@style.styled
def draw(source: pd.DataFrame, footer: Sequence[str] = (), width_mm: int = WIDTH_MM) -> Figure:
    """Draw the assumptions from their source table.

    183 mm wide: a row for each stratum, up to four. 89 mm wide: a column for each, up
    to two.

    Raises
    ------
    ArgumentError
        Another width, or more strata than the page has room for.
    """
    table = marks.checked(source)
    names = marks.series_of(table)
    most = style.of_width(_MOST, width_mm)
    style.at_most(names, most, width_mm)
    across, down = (3, len(names)) if width_mm == WIDTH_MM else (len(names), 3)
    height = _PANEL_MM * down + style.footer_height_mm(footer, width_mm)
    figure = style.new_figure(width_mm, height)
    grid = figure.subplots(down, across, squeeze=False)
    for j, name in enumerate(names):
        for i, panel in enumerate(PANELS):
            row, column = (j, i) if width_mm == WIDTH_MM else (i, j)
            axes = grid[row][column]
            rows = marks.pick(table, series=name, panel=panel)
            letter = "abcdefghijkl"[row * across + column]
            _draw_panel(axes, rows, panel, j)
            if width_mm == WIDTH_MM:
                title = f"{name}: {_TITLES[panel]}" if i == 0 else _TITLES[panel]
                style.panel_title(axes, letter, title, "\n".join(_check_lines(rows, panel)))
            else:
                axes.xaxis.set_major_locator(MaxNLocator(3))
                title = textwrap.fill(name, _NARROW) if i == 0 else _TITLES[panel]
                lines = [_TITLES[panel]] * (i == 0) + _check_lines(rows, panel)
                style.panel_title(axes, letter, title, "\n".join(lines).replace(", p", "\np"))
    style.add_footer(figure, footer)
    return figure


def _check_lines(rows: pd.DataFrame, panel: str) -> list[str]:
    """The n, and the check in words: slope with interval, or W, with its p value."""
    points = marks.pick(rows, mark="point")
    if points.empty:
        return []
    n = f"{len(points)} participants"
    found = marks.records(marks.pick(rows, mark="check"))
    if not found:
        return [n, _NO_TEST if panel == "normal" else "no slope"]
    if panel == "normal":
        return [n, f"Shapiro-Wilk W = {number(found[0]['x'], '1')}, {p_value(found[0]['y'])}"]
    limits = interval(found[0]["lower"], found[0]["upper"], "mm")
    return [n, f"slope {number(found[0]['x'], 'mm')} {limits}, {p_value(found[0]['y'])}"]


def _draw_panel(axes: Axes, rows: pd.DataFrame, panel: str, j: int) -> None:
    points = marks.pick(rows, mark="point")
    if points.empty:
        style.no_data(axes, marks.reasons(rows) if len(rows) else _NOTHING[panel])
        return
    line = points if panel == "normal" else marks.pick(rows, mark="line")
    band = line[line["lower"].notna()].sort_values("x")
    axes.fill_between(
        band["x"], band["lower"], band["upper"], color=style.PALE, zorder=0, linewidth=0
    )
    if panel == "normal":
        ends = [points["x"].min(), points["x"].max()]
        axes.plot(ends, ends, color=style.PALETTE["black"], linewidth=0.9)
    else:
        axes.plot(line["x"], line["y"], color=style.PALETTE["black"], linewidth=0.9)
    if panel == "bias":
        axes.axhline(0, color=style.GREY, linewidth=0.5, linestyle=":")
    axes.scatter(
        points["x"], points["y"], s=7, alpha=0.6, linewidth=0, color=style.CYCLE[j],
        marker=style.MARKERS[j], zorder=2,
    )  # fmt: skip
    across, up = _AXES[str(points["label"].iloc[0])][panel]
    axes.set_xlabel(across)
    axes.set_ylabel(up)
    axes.xaxis.set_major_locator(MaxNLocator(5))
    if panel == "spread":
        axes.set_ylim(bottom=min(0.0, float(band["lower"].min()) if len(band) else 0.0))
