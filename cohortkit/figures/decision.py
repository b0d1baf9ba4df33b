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

    With one number of readings only, the SDC with its interval over the raters.
    """
    plans = marks.pick(table, panel="decision", mark="plan")
    if plans.empty:
        style.no_data(axes, marks.reasons(marks.pick(table, panel="decision")))
        return
    value = plans["label"].astype("float64")
    if plans["y"].nunique() == 1:
        _over_raters(axes, plans, value, j)
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


def _over_raters(axes: Axes, plans: pd.DataFrame, value: pd.Series, j: int) -> None:
    axes.vlines(plans["x"], plans["lower"], plans["upper"], color=style.CYCLE[j], linewidth=1.0)
    axes.plot(plans["x"], value, style.MARKERS[j], color=style.CYCLE[j])
    axes.set_xticks(plans["x"], [f"{int(k)}" for k in plans["x"]])
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel("raters, one reading by each")
    axes.set_ylabel("smallest detectable change (mm)")
