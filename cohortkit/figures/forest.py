"""Estimates with their intervals as rows of points and lines, one colour per series."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from cohortkit.display import interval, number
from cohortkit.figures import marks, style


def draw_forest(axes: Axes, rows: pd.DataFrame, labels: Mapping[str, str], unit: str) -> None:
    """Draw a forest into `axes`.

    Parameters
    ----------
    axes
        An empty panel.
    rows
        Estimate marks (value in ``x``); several series may share a label.
    labels
        Label of a mark to the words on the axis, from top to bottom. Labels
        that no row has get no line.
    unit
        UCUM code of the values, for the numbers on the right.
    """
    present = [label for label in labels if (rows["label"] == label).any()]
    names = marks.series_of(rows)
    place = {label: -i for i, label in enumerate(present)}
    step = 0.7 / max(len(names), 1)
    for j, name in enumerate(names):
        part = marks.pick(rows, series=name)
        part = part[part["label"].isin(present)]
        y = part["label"].map(place).astype("float64") - (j - (len(names) - 1) / 2) * step
        _points(axes, part, y.to_numpy(), j)
        for row, height in zip(marks.records(part), y, strict=True):
            text = f"{number(row['x'], unit)} {interval(row['lower'], row['upper'], unit)}".strip()
            axes.text(
                1.01,
                height,
                text,
                transform=axes.get_yaxis_transform(),
                va="center",
                fontsize=style.SMALL_PT,
            )
    axes.set_yticks(list(place.values()), [labels[label] for label in present])
    axes.set_ylim(-len(present) + 0.4, 0.6)
    axes.tick_params(axis="y", length=0)


def _points(axes: Axes, part: pd.DataFrame, y: np.ndarray, j: int) -> None:
    x = part["x"].to_numpy()
    low = np.where(np.isfinite(part["lower"]), part["lower"], x)
    high = np.where(np.isfinite(part["upper"]), part["upper"], x)
    axes.hlines(y, low, high, color=style.CYCLE[j], linewidth=1.0, clip_on=False)
    axes.plot(x, y, style.MARKERS[j], color=style.CYCLE[j], markersize=3.5, clip_on=False)
