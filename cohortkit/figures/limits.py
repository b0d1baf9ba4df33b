"""Limits of agreement of every kind as marks and as one panel.

Differences against the mean of the two readings; ratios against their geometric mean,
both on log scales; deviations from the mean of all raters; and sloping limits where they
change with size.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import seaborn
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator
from scipy import optimize

from cohortkit.agreement.limits_regression import RegressionLimits
from cohortkit.agreement.limits_with_mean import MeanLimits
from cohortkit.display import interval, number
from cohortkit.estimate import Result
from cohortkit.figures import marks, style

LINES = {"upper_limit": "upper limit", "bias": "bias", "lower_limit": "lower limit"}
_OF_RATIO = {
    "upper_limit": "ratio_upper_limit",
    "bias": "ratio_bias",
    "lower_limit": "ratio_lower_limit",
}
_LOG_TICKS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_WIDE = 4.0  # ratio of the ends of an axis from which even steps stand too close at one end
_BAND: Mapping[str, Any] = {"color": style.GREY, "alpha": 0.15, "linewidth": 0, "zorder": 0}
_ROOM = 0.2  # height of a label of three lines, as a share of a panel


@dataclass(frozen=True)
class Kind:
    """What the axes of a kind of limits say, and the value at which raters agree."""

    x: str
    y: str
    agreed: float = 0.0


KINDS = {
    "difference": Kind("mean of the two readings (mm)", "difference (mm)"),
    "repeats": Kind("mean of all readings by both (mm)", "difference of raters' means (mm)"),
    "ratio": Kind("geometric mean of the two readings (mm)", "ratio, first over second", 1.0),
    "deviation": Kind("mean of all raters' readings (mm)", "reading minus that mean (mm)"),
}


def rows(series: str, result: Result) -> list[marks.Row]:
    """Marks of one stratum: each point, and the lines.

    Parameters
    ----------
    series
        Name of the stratum.
    result
        From any of the limits of agreement that keep their pairs: two raters,
        clustered, replicates, ratio, regression, or with the mean of all raters.

    Returns
    -------
    list
        Points in order of their mean, without ids, labelled with the kind of limits.
        Level lines have their value in ``x``; sloping ones are many marks named
        ``bias_line`` and so on, with the size in ``x`` and the value in ``y``.
    """
    kind = _kind(result)
    table: pd.DataFrame
    if isinstance(result, MeanLimits):
        table = result.deviations.rename(columns={"deviation": "difference"})
    else:
        table = getattr(result, "pairs")  # noqa: B009
    points = table.sort_values(["mean", "difference"])[["mean", "difference"]].to_numpy(float)
    points = np.exp(points) if kind == "ratio" else points
    unit = "1" if kind == "ratio" else "mm"
    found = [
        marks.mark("difference", series, "pair", kind, x=x, y=y, unit=unit)
        for x, y in points.tolist()
    ]
    if isinstance(result, RegressionLimits):
        return found + _sloping(series, result)
    names = _OF_RATIO if kind == "ratio" else {key: key for key in LINES}
    held = {e.name for e in result}
    for key, name in names.items():
        if name in held:
            found.append(marks.estimate_mark("difference", series, key, result[name]))
    return found


def _kind(result: Result) -> str:
    if isinstance(result, MeanLimits):
        return "deviation"
    if result.settings.get("scale") == "log":
        return "ratio"
    return "repeats" if result.settings.get("truth") == "constant" else "difference"


def _sloping(series: str, result: RegressionLimits) -> list[marks.Row]:
    """The lines over the sizes seen, and what was estimated at the sizes asked for."""
    level = float(result.settings["level"])
    found = []
    for estimate in result:
        if estimate.name in LINES:
            size = float(estimate.group.removeprefix("mean="))
            mark = marks.estimate_mark("difference", series, f"{estimate.name}_at", estimate)
            found.append({**mark, "x": size, "y": estimate.value})
    for row in marks.records(result.curve):
        for key in LINES:
            found.append(
                marks.mark(
                    "difference", series, f"{key}_line", key, x=row["mean"], y=row[key],
                    lower=row[f"{key}_low"], upper=row[f"{key}_high"], level=level, unit="mm",
                )
            )  # fmt: skip
    return found


def counted(table: pd.DataFrame) -> marks.Row | None:
    """A mark of the stratum that carries the n."""
    known = table[table["n_participants"].notna()]
    return marks.records(known)[0] if len(known) else None


def draw_limits(axes: Axes, table: pd.DataFrame, j: int) -> None:
    """Points, lines and intervals of one stratum, with the numbers beside the lines."""
    if len(marks.pick(table, mark="none")):
        style.no_data(axes, marks.reasons(table))
        return
    points = marks.pick(table, mark="pair")
    name = str(points["label"].iloc[0])
    kind = KINDS[name]
    seaborn.scatterplot(
        data=points, x="x", y="y", ax=axes, color=style.CYCLE[j], marker=style.MARKERS[j],
        s=10, alpha=0.6, linewidth=0, legend=False,
    )  # fmt: skip
    axes.axhline(kind.agreed, color=style.GREY, linewidth=0.5, linestyle=":")
    axes.set_xlabel(kind.x)
    axes.set_ylabel(kind.y)
    if len(marks.pick(table, mark="bias_line")):
        labels = _draw_sloping(axes, table)
    else:
        labels = _draw_level(axes, table, "1" if name == "ratio" else "mm")
    if name == "ratio":
        _log_scales(axes)
    _beside(axes, labels)


def _draw_level(axes: Axes, table: pd.DataFrame, unit: str) -> list[tuple[float, str]]:
    labels = []
    for key, words in LINES.items():
        words = "mean ratio" if (key, unit) == ("bias", "1") else words
        for row in marks.records(marks.pick(table, mark=key)):
            axes.axhspan(row["lower"], row["upper"], **_BAND)
            axes.axhline(row["x"], **_line(key))
            limits = interval(row["lower"], row["upper"], unit)
            text = f"{words}\n{number(row['x'], unit)}\n{limits}".rstrip()
            labels.append((row["x"], text))
    return labels


def _draw_sloping(axes: Axes, table: pd.DataFrame) -> list[tuple[float, str]]:
    """Sloping lines with their bands; beside each its value at the largest size seen."""
    labels = []
    for key, words in LINES.items():
        line = marks.pick(table, mark=f"{key}_line").sort_values("x")
        axes.fill_between(line["x"], line["lower"], line["upper"], **_BAND)
        axes.plot(line["x"], line["y"], **_line(key))
        known = marks.records(line[line["y"].notna()])
        if known:
            end = known[-1]
            limits = interval(end["lower"], end["upper"], "mm")
            size = number(end["x"], "mm")
            labels.append(
                (end["y"], f"{words}, {size} mm\n{number(end['y'], 'mm')}\n{limits}".rstrip())
            )
    return labels


def _line(key: str) -> dict[str, Any]:
    style_of = "-" if key == "bias" else "--"
    return {"color": style.PALETTE["black"], "linewidth": 0.9, "linestyle": style_of}


def _log_scales(axes: Axes) -> None:
    """Both axes by ratio: equal steps are equal factors."""
    axes.set_xscale("log")
    axes.set_yscale("log")
    for axis, (low, high) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
        even = MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
        ticks = _LOG_TICKS if high / low > _WIDE else even
        inside = [float(tick) for tick in ticks if low <= tick <= high]
        axis.set_major_locator(FixedLocator(inside))
        axis.set_minor_locator(NullLocator())
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))


def _beside(axes: Axes, labels: Sequence[tuple[float, str]]) -> None:
    """Write labels to the right of their lines, moved apart where they would overprint."""
    axes.set_ylim(axes.get_ylim())
    to_share = axes.transScale + axes.transLimits
    heights = [float(to_share.transform((axes.get_xlim()[0], y))[1]) for y, _ in labels]
    for (_, text), at, wanted in zip(labels, apart(heights), heights, strict=True):
        axes.plot([1.0, 1.03], [wanted, at], transform=axes.transAxes, clip_on=False,
                  color=style.GREY, linewidth=0.4)  # fmt: skip
        axes.text(1.04, at, text, transform=axes.transAxes, va="center", fontsize=style.SMALL_PT)


def apart(heights: Sequence[float], room: float = _ROOM) -> list[float]:
    """Heights from top to bottom, moved as little as needed to stand `room` apart.

    Least squares under the order (isotonic regression); the whole is then moved to
    where the first stands in the panel and the last does not hang below it.
    """
    if not heights:
        return []
    steps = room * np.arange(len(heights))
    placed = optimize.isotonic_regression(np.asarray(heights) + steps, increasing=False).x - steps
    placed = placed - max(float(placed[0]) - 1.0, 0.0)
    placed = placed + max(-float(placed[-1]), 0.0)
    return [float(height) for height in placed]
