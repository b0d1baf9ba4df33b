"""The outcome figure: share returned to full climbing over time, by grade.

Left, the estimate that knows the return only between two visits; its curve is
not defined inside the shaded boxes. Right, the usual curve on the days of the
visits, which places each return at the visit that found it and so comes late.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from cohortkit.estimate import Result
from cohortkit.figures import marks, style
from cohortkit.outcomes.product_limit import KaplanMeier
from cohortkit.outcomes.returning import ReturnToClimbing

WIDTH_MM = 183
_PER_ROW = {89: 1, 183: 2}
_APART_DAYS = 5.0  # marks of a stated day stand this far apart, so that none covers another
_BELOW = {
    "turnbull": "not defined inside shaded boxes; marks: share by a stated day\n"
    f"with interval, each grade {_APART_DAYS:g} days further right so as not to overlap",
    "kaplan_meier": "each return on the visit that found it\nshaded: intervals",
}
_AT_RISK = {
    "turnbull": "Number at risk: followed, not known to have returned",
    "kaplan_meier": "Number at risk: followed, not seen returned before",
}
_BY_DAY = "returned_by_"
_OPEN = ("known_not_returned", "possibly_returned")
_TITLES = {
    "turnbull": "Known between visits only (Turnbull)",
    "kaplan_meier": "On the days of the visits (Kaplan-Meier)",
}


def source(between: ReturnToClimbing | str, visits: KaplanMeier | str) -> pd.DataFrame:
    """The numbers behind the outcome figure (see `cohortkit.figures.marks`).

    Parameters
    ----------
    between
        From `outcomes.return_to_climbing`; a text says why there is none.
    visits
        From `outcomes.kaplan_meier` on the days of the visits, or a text.

    Returns
    -------
    pandas.DataFrame
        Turnbull intervals: days in (``lower``, ``upper``], share returned before in
        ``x`` and after in ``y``. Kaplan-Meier steps: day in ``x``, share in ``y``
        with its limits. Shares by a stated day: day in ``y``, share in ``x``. At
        risk: day in ``x``, number in ``y``.
    """
    rows = []
    if isinstance(between, str):
        rows.append(marks.mark("turnbull", "", "none", between))
    else:
        rows += _group_marks("turnbull", between)
        for box in marks.records(between.intervals):
            before = box["returned_before"]
            rows.append(
                marks.mark(
                    "turnbull",
                    _name(box["group"]),
                    "interval",
                    x=before,
                    y=before + box["mass"],
                    lower=box["after_day"],
                    upper=box["by_day"],
                    unit="d",
                )
            )
        rows += _risk_marks("turnbull", between.at_risk, _OPEN)
    if isinstance(visits, str):
        rows.append(marks.mark("kaplan_meier", "", "none", visits))
    else:
        rows += _group_marks("kaplan_meier", visits)
        for name, part in visits.curve.groupby("group", sort=False):
            start = marks.mark(
                "kaplan_meier", _name(name), "step", x=0.0, y=0.0, lower=0.0, upper=0.0
            )
            steps = [
                start
                | {
                    "x": p["day"],
                    "y": p["returned"],
                    "lower": 1 - p["upper"],
                    "upper": 1 - p["lower"],
                }
                for p in marks.records(part)
            ]
            rows += [start, *steps]
        rows += _risk_marks("kaplan_meier", visits.at_risk, ("at_risk",))
    return marks.frame(rows)


def _name(group: object) -> str:
    """A group's label for people: "grade=II" as "grade II"."""
    return str(group).replace("=", " ") or "all"


def _group_marks(panel: str, result: Result) -> list[marks.Row]:
    """The n of each group, its median, and its share returned by each stated day."""
    rows = []
    for e in result:
        name = _name(e.group)
        if e.name == "median_day":
            counts: dict[str, Any] = {count: getattr(e, count) for count in marks.COUNTS}
            rows.append(marks.mark(panel, name, "group", **counts))
            rows.append(marks.estimate_mark(panel, name, "median", e))
        elif e.name.startswith(_BY_DAY):
            day = float(e.name.removeprefix(_BY_DAY))
            rows.append(marks.estimate_mark(panel, name, "share", e) | {"y": day})
    return rows


def _risk_marks(panel: str, at_risk: pd.DataFrame, counted: Sequence[str]) -> list[marks.Row]:
    return [
        marks.mark(panel, _name(r["group"]), "at_risk", x=r["day"], y=sum(r[c] for c in counted))
        for r in marks.records(at_risk)
    ]


@style.styled
def draw(source: pd.DataFrame, footer: Sequence[str] = (), width_mm: int = WIDTH_MM) -> Figure:
    """Draw the outcome figure, 89 or 183 mm wide, from its source table."""
    table = marks.checked(source)
    names = marks.series_of(table[table["series"] != ""])
    across = style.of_width(_PER_ROW, width_mm)
    risk = 8 + 3.2 * len(names)
    heights = [62.0, risk] * (2 // across) + [3.2 * math.ceil(len(names) / across) + 2]
    height = sum(heights) + 8 + style.footer_height_mm(footer, width_mm)
    figure = style.new_figure(width_mm, min(height, style.PAGE_MM))
    grid = figure.add_gridspec(len(heights), across, height_ratios=heights)
    days = _days(table)
    for i, (panel, title) in enumerate(_TITLES.items()):
        rows = marks.pick(table, panel=panel)
        axes = figure.add_subplot(grid[2 * (i // across), i % across])
        style.panel_title(axes, "ab"[i], title, _BELOW[panel])
        if panel == "turnbull":
            _turnbull(axes, rows, names, days[-1])
        else:
            _kaplan_meier(axes, rows, names)
        axes.set(xlim=(0, 1.06 * days[-1]), xticks=days)
        place = grid[2 * (i // across) + 1, i % across]
        _at_risk(figure.add_subplot(place, sharex=axes), rows, names, _AT_RISK[panel])
    _legend(figure.add_subplot(grid[-1, :]), table, names, across)
    style.add_footer(figure, footer)
    return figure


def _days(table: pd.DataFrame) -> list[float]:
    """Days of the at-risk table, which are the ticks of the time axis."""
    days = sorted(set(marks.pick(table, mark="at_risk")["x"]))
    return days if len(days) > 1 else [0.0, 365.0]


def _legend(axes: Axes, table: pd.DataFrame, names: Sequence[str], columns: int) -> None:
    axes.set_axis_off()
    for j, name in enumerate(names):
        n = marks.pick(table, mark="group", series=name)
        label = f"{name}: {marks.n_text(n.iloc[0])}" if len(n) else name
        axes.plot([], [], color=style.CYCLE[j], linewidth=2, label=label)
    if names:
        axes.legend(loc="center", ncols=columns, borderpad=0).set_in_layout(False)


def _dress(axes: Axes) -> None:
    axes.set_ylim(0, 1.02)
    axes.set_ylabel("share returned to full climbing")
    axes.set_xlabel("days since onset")


def _turnbull(axes: Axes, rows: pd.DataFrame, names: Sequence[str], end: float) -> None:
    boxes = marks.pick(rows, mark="interval")
    if boxes.empty:
        style.no_data(axes, marks.reasons(rows))
        return
    for j, name in enumerate(names):
        part = marks.pick(boxes, series=name).sort_values("lower")
        if part.empty:
            continue
        colour = style.CYCLE[j]
        day, share = 0.0, 0.0
        for row in marks.records(part):
            right = min(row["upper"], end)
            axes.hlines(share, day, row["lower"], color=colour)
            if right > row["lower"]:
                axes.add_patch(
                    Rectangle(
                        (row["lower"], row["x"]),
                        right - row["lower"],
                        row["y"] - row["x"],
                        facecolor=colour,
                        alpha=0.2,
                        edgecolor=colour,
                        linewidth=0.3,
                    )
                )
            else:
                axes.vlines(row["lower"], row["x"], row["y"], color=colour)
            day, share = right, row["y"]
        axes.hlines(share, day, max(day, end), color=colour)
        _shares(axes, marks.pick(rows, mark="share", series=name), j)
    _dress(axes)


def _shares(axes: Axes, rows: pd.DataFrame, j: int) -> None:
    """Share returned by each stated day, with its interval; a little apart per group."""
    known = rows[rows["x"].notna()]
    days = known["y"] + _APART_DAYS * j
    axes.vlines(days, known["lower"], known["upper"], color=style.CYCLE[j], linewidth=0.8)
    axes.plot(days, known["x"], style.MARKERS[j], color=style.CYCLE[j], markersize=3)


def _kaplan_meier(axes: Axes, rows: pd.DataFrame, names: Sequence[str]) -> None:
    steps = marks.pick(rows, mark="step")
    if steps.empty:
        style.no_data(axes, marks.reasons(rows))
        return
    for j, name in enumerate(names):
        part = marks.pick(steps, series=name).sort_values("x")
        if part.empty:
            continue
        colour = style.CYCLE[j]
        axes.step(part["x"], part["y"], where="post", color=colour)
        axes.fill_between(
            part["x"],
            part["lower"],
            part["upper"],
            step="post",
            color=colour,
            alpha=0.15,
            linewidth=0,
        )
    _dress(axes)


def _at_risk(axes: Axes, rows: pd.DataFrame, names: Sequence[str], counted: str) -> None:
    axes.set_axis_off()
    axes.set_ylim(-len(names) - 0.2, 1)
    axes.text(
        0,
        0.4,
        counted,
        transform=axes.get_yaxis_transform(),
        fontweight="bold",
        fontsize=style.SMALL_PT,
        va="center",
    )
    for j, name in enumerate(names):
        axes.text(
            -0.06,
            -j - 0.5,
            name,
            transform=axes.get_yaxis_transform(),
            ha="right",
            va="center",
            fontsize=style.SMALL_PT,
            color="black",
        )
        for row in marks.records(marks.pick(rows, mark="at_risk", series=name)):
            axes.text(
                row["x"],
                -j - 0.5,
                f"{int(row['y'])}",
                ha="center",
                va="center",
                fontsize=style.SMALL_PT,
            )
