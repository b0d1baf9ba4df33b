"""How far each rater lies from the mean of all: a caterpillar without names."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from cohortkit.estimate import Result
from cohortkit.figures import marks, style


def rows(series: str, result: Result) -> list[marks.Row]:
    """Marks of one stratum in order of the effect; ids of raters are left out."""
    ordered = sorted(result, key=lambda e: (e.value, e.group))
    found = []
    for position, estimate in enumerate(ordered, start=1):
        mark = marks.estimate_mark("raters", series, "effect", estimate)
        found.append({**mark, "label": f"{position} of {len(ordered)}", "y": float(position)})
    return found


def draw_effects(axes: Axes, table: pd.DataFrame, j: int) -> None:
    """Effects with intervals, the lowest reader at the bottom."""
    effects = marks.pick(table, panel="raters", mark="effect")
    if effects.empty:
        style.no_data(axes, marks.reasons(marks.pick(table, panel="raters")))
        return
    axes.axvline(0, color=style.GREY, linewidth=0.5, linestyle=":")
    axes.hlines(
        effects["y"], effects["lower"], effects["upper"], color=style.CYCLE[j], linewidth=1.0
    )
    axes.plot(effects["x"], effects["y"], style.MARKERS[j], color=style.CYCLE[j], markersize=3)
    for row in marks.records(effects):
        axes.annotate(
            f"{int(row['n_readings'])}",
            (1.01, row["y"]),
            xycoords=axes.get_yaxis_transform(),
            va="center",
            fontsize=style.SMALL_PT,
            color=style.GREY,
            annotation_clip=False,
        )
    if not effects["x"].any():
        axes.text(
            0.03,
            0.97,
            "variance estimated as zero:\nall effects drawn to zero",
            transform=axes.transAxes,
            va="top",
            fontsize=style.SMALL_PT,
            color=style.GREY,
        )
    axes.set_yticks([])
    widest = effects[["lower", "upper"]].abs().max().max()
    reach = 1.1 * max(0.05, 0.0 if pd.isna(widest) else float(widest))
    axes.set_xlim(-reach, reach)
    axes.set_ylim(0.3, len(effects) + 0.7)
    axes.set_xlabel("rater's shift (mm), drawn towards the mean; right: readings")
    axes.set_ylabel("raters in order")
