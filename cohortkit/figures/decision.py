"""How many raters and readings: the smallest detectable change of each plan."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from cohortkit.display import interval, number
from cohortkit.estimate import Result
from cohortkit.figures import marks, style

_LEVELS = 5
_CLEAR = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}


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
    """Lines of equal SDC over raters and readings, the value written at each plan.

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
    grid = plans.assign(value=value).pivot(index="y", columns="x", values="value")
    raters, reads = grid.columns.to_numpy(float), grid.index.to_numpy(float)
    levels = np.quantile(value, np.linspace(0, 1, _LEVELS + 2))[1:-1]
    if np.unique(levels).size == len(levels):
        axes.contour(
            raters, reads, grid.to_numpy(), levels=levels, colors=style.GREY, linewidths=0.6
        )
    axes.scatter(plans["x"], plans["y"], s=6, color=style.CYCLE[j], zorder=3)
    for row, sdc in zip(marks.records(plans), value, strict=True):
        limits = interval(row["lower"], row["upper"], "mm").replace(" ", "")
        axes.annotate(
            number(sdc, "mm"),
            (row["x"], row["y"]),
            xytext=(0, 2.5),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=style.SMALL_PT,
            bbox=_CLEAR,
        )
        axes.annotate(
            limits,
            (row["x"], row["y"]),
            xytext=(0, -3),
            textcoords="offset points",
            ha="center",
            va="top",
            fontsize=style.SMALL_PT,
            color=style.GREY,
            bbox=_CLEAR,
        )
    axes.set_xlim(raters.min() - 0.5, raters.max() + 0.5)
    axes.set_ylim(reads.min() - 0.5, reads.max() + 0.5)
    axes.set_xticks(raters, [f"{int(k)}" for k in raters])
    axes.set_yticks(reads, [f"{int(m)}" for m in reads])
    axes.set_xlabel("raters (lines: plans with the same change)")
    axes.set_ylabel("readings by each")


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
