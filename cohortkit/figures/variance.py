"""Where the spread of the readings comes from: shares of variance, and SDs with intervals."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes

from cohortkit.estimate import Result
from cohortkit.figures import marks, style
from cohortkit.figures.forest import draw_forest
from cohortkit.figures.words import COMPONENTS

# What is told apart in blues and greens, what is error in reds and yellows, sites grey.
COLOURS = {
    "site": style.GREY,
    "participant": style.PALETTE["blue"],
    "finger": style.PALETTE["sky"],
    "scan": style.PALETTE["green"],
    "rater_site": style.PALETTE["purple"],
    "rater": style.PALETTE["vermillion"],
    "subject_rater": style.PALETTE["orange"],
    "residual": style.PALE,
}
_LEAST_NAMED = 0.06  # share of a bar that has room for its per cent


def rows(series: str, result: Result) -> list[marks.Row]:
    """Marks of one stratum: each component's share, and its SD with interval."""
    table: pd.DataFrame = getattr(result, "components")  # noqa: B009
    found = []
    for part in marks.records(table):
        estimate = result[f"sd_{part['component']}"]
        found.append(
            marks.mark("variance", series, "share", part["component"], x=part["share"], unit="1")
        )
        sd = marks.estimate_mark("variance", series, "sd", estimate)
        found.append({**sd, "label": part["component"]})
    return found


def draw_shares(axes: Axes, table: pd.DataFrame) -> None:
    """One stacked bar per stratum, from the top."""
    shares = marks.pick(table, panel="variance", mark="share")
    if shares.empty:
        style.no_data(axes, marks.reasons(table))
        return
    names = marks.series_of(shares)
    for i, name in enumerate(names):
        left = 0.0
        for row in marks.records(marks.pick(shares, series=name)):
            colour = COLOURS[row["label"]]
            axes.barh(-i, row["x"], left=left, height=0.55, color=colour, edgecolor="white",
                      linewidth=0.4)  # fmt: skip
            if row["x"] >= _LEAST_NAMED:
                dark = row["label"] in ("participant", "site", "scan", "rater")
                axes.text(
                    left + row["x"] / 2,
                    -i,
                    f"{100 * row['x']:.0f} %",
                    ha="center",
                    va="center",
                    fontsize=style.SMALL_PT,
                    color="white" if dark else "black",
                )
            left += row["x"]
    present = [label for label in COMPONENTS if (shares["label"] == label).any()]
    for label in present:
        axes.barh(0, 0, color=COLOURS[label], label=COMPONENTS[label])
    sds = marks.pick(table, panel="variance", mark="sd").drop_duplicates("series")
    n = {str(row["series"]): marks.n_text(row) for row in marks.records(sds)}
    words = [f"{name}, {n.get(name, '')}".replace(", ", ",\n") for name in names]
    axes.set_yticks([-i for i in range(len(names))], words)
    axes.tick_params(axis="y", length=0, labelsize=6, pad=2)
    axes.set_ylim(-len(names) + 0.5, 0.5)
    axes.set_xlim(0, 1)
    axes.set_xlabel("share of all variance")
    style.legend_below(axes, -0.32, ncols=3, handlelength=1.0, columnspacing=1.0)


def draw_sds(axes: Axes, table: pd.DataFrame) -> None:
    """SD of each component with its interval, one colour per stratum."""
    sds = marks.pick(table, panel="variance", mark="sd")
    if sds.empty:
        style.no_data(axes, marks.reasons(table))
        return
    draw_forest(axes, sds, COMPONENTS, "mm")
    axes.set_xlim(left=0.0)
    axes.set_xlabel("SD (mm)")
    for j, name in enumerate(marks.series_of(sds)):
        axes.plot([], [], style.MARKERS[j], color=style.CYCLE[j], label=name)
    style.legend_below(axes, -0.32, ncols=2, handletextpad=0.2)
