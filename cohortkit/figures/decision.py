"""How many raters and readings: the smallest detectable change of each plan."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import BoundaryNorm, LinearSegmentedColormap, ListedColormap
from matplotlib.ticker import MaxNLocator

from cohortkit.display import interval, number
from cohortkit.estimate import Result
from cohortkit.figures import marks, style

_LEVELS = 5
_ROOM = 5  # raters whose plans have room for an interval in half a page
_DARKEST = 0.4  # share of the stratum's colour, so that black text stays readable on it


def rows(series: str, result: Result) -> list[marks.Row]:
    """Marks of one stratum: SDC of each plan, raters in x, readings in y."""
    table: pd.DataFrame = getattr(result, "table")  # noqa: B009
    found = []
    for plan in marks.records(table):
        estimate = result[f"sdc@raters={plan['raters']}; reads={plan['reads']}"]
        mark = marks.estimate_mark("decision", series, "plan", estimate)
        label = repr(float(estimate.value))
        found.append({**mark, "x": plan["raters"], "y": plan["reads"], "label": label})
    return found


def draw_plans(axes: Axes, table: pd.DataFrame, j: int) -> None:
    """The SDC of each plan over raters and readings, parted by lines of equal SDC.

    With one number of readings only, the SDC with its interval over the raters; with one
    number of raters only, over the readings.
    """
    plans = marks.pick(table, panel="decision", mark="plan")
    if plans.empty:
        style.no_data(axes, marks.reasons(marks.pick(table, panel="decision")))
        return
    value = plans["label"].astype("float64")
    if plans["y"].nunique() == 1:
        label = f"raters, {_counted(plans['y'].iloc[0], 'reading')} by each"
        _over(axes, plans.assign(value=value), "x", label, j)
        return
    if plans["x"].nunique() == 1:
        label = f"readings, {_counted(plans['x'].iloc[0], 'rater')}"
        _over(axes, plans.assign(value=value), "y", label, j)
        return
    _fields(axes, plans.assign(value=value), j)


def _fields(axes: Axes, plans: pd.DataFrame, j: int) -> None:
    """A field for each plan, with its SDC and interval; lines at round values part the fields.

    Raters and readings are whole numbers, so a line of equal SDC runs between two plans and
    never through one.
    """
    grid = plans.pivot(index="y", columns="x", values="value")
    sdc = grid.to_numpy(dtype=float)
    rounded = MaxNLocator(_LEVELS, steps=[1, 2, 5, 10])
    levels = rounded.tick_values(float(np.nanmin(sdc)), float(np.nanmax(sdc)))
    pale = LinearSegmentedColormap.from_list("pale", ["white", style.CYCLE[j]])
    shades = pale(np.linspace(0.05, _DARKEST, len(levels) - 1))
    field = axes.pcolormesh(
        np.arange(sdc.shape[1] + 1) - 0.5,
        np.arange(sdc.shape[0] + 1) - 0.5,
        sdc,
        cmap=ListedColormap(shades),
        norm=BoundaryNorm(levels, len(shades)),
        edgecolors="face",
    )
    key = axes.figure.colorbar(field, ax=axes, fraction=0.03, pad=0.02)
    key.ax.tick_params(length=0)
    key.outline.set_visible(False)
    band = np.digitize(sdc, levels[1:-1])
    axes.add_collection(LineCollection(_between(band), colors=style.GREY, linewidths=0.8))
    raters, reads = list(grid.columns), list(grid.index)
    for plan in marks.records(plans):
        place = (raters.index(plan["x"]), reads.index(plan["y"]))
        _written(axes, place, plan, len(raters) <= _ROOM)
    axes.set_xticks(range(len(raters)), [f"{int(k)}" for k in raters])
    axes.set_yticks(range(len(reads)), [f"{int(m)}" for m in reads])
    axes.tick_params(length=0)
    axes.set_xlabel("raters")
    axes.set_ylabel("readings by each")


def _between(band: np.ndarray) -> list[list[tuple[float, float]]]:
    """Edges between neighbouring fields of different bands."""
    edges = [
        [(x + 0.5, y - 0.5), (x + 0.5, y + 0.5)] for y, x in np.argwhere(np.diff(band, axis=1) != 0)
    ]
    return edges + [
        [(x - 0.5, y + 0.5), (x + 0.5, y + 0.5)] for y, x in np.argwhere(np.diff(band, axis=0) != 0)
    ]


def _written(axes: Axes, place: tuple[int, int], plan: marks.Row, with_interval: bool) -> None:
    """The SDC in the middle of its field, its interval below."""
    limits = interval(plan["lower"], plan["upper"], "mm") if with_interval else ""
    for text, shift, weight in (
        (number(plan["value"], "mm"), 1.0 if limits else -2.5, "bold"),
        (limits, -7.5, "normal"),
    ):
        axes.annotate(
            text,
            place,
            xytext=(0, shift),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=style.SMALL_PT,
            fontweight=weight,
        )


def _over(axes: Axes, plans: pd.DataFrame, along: str, label: str, j: int) -> None:
    """The SDC and its interval over one of the two numbers of a plan."""
    at = plans[along]
    axes.vlines(at, plans["lower"], plans["upper"], color=style.CYCLE[j], linewidth=1.0)
    axes.plot(at, plans["value"], style.MARKERS[j], color=style.CYCLE[j])
    axes.set_xticks(at, [f"{int(k)}" for k in at])
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel(label)
    axes.set_ylabel("smallest detectable change (mm)")


def _counted(number_of: float, what: str) -> str:
    count = int(number_of)
    return f"one {what}" if count == 1 else f"{count} {what}s"
