"""Small invented results for the figure tests, made by the estimators themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.text import Text

from cohortkit.agreement import icc, limits_of_agreement
from cohortkit.figures import style
from cohortkit.outcomes import kaplan_meier, return_to_climbing
from cohortkit.thresholds import roc, youden_cut


def two_rater_readings(n=12, seed=1):
    """Two raters read one scan of each of n participants."""
    rng = np.random.default_rng(seed)
    gap = rng.normal(1.5, 0.4, n)
    rows = [
        {"scan_id": f"s{i}", "participant_id": f"p{i}", "rater_id": r, "gap_mm": round(g, 1)}
        for i, true in enumerate(gap)
        for r, g in zip(("r1", "r2"), true + rng.normal(0, 0.15, 2), strict=True)
    ]
    return pd.DataFrame(rows)


def agreement_results():
    readings = two_rater_readings()
    return limits_of_agreement(readings), icc(readings)


def graded(n=60, seed=2):
    """One gap and one tear status per participant, from three sites."""
    rng = np.random.default_rng(seed)
    torn = np.arange(n) % 3 == 0
    gap = np.where(torn, rng.normal(3.4, 0.8, n), rng.normal(1.8, 0.5, n)).clip(0.4)
    return pd.DataFrame(
        {
            "participant_id": [f"p{i}" for i in range(n)],
            "finger_id": [f"f{i}" for i in range(n)],
            "site_id": np.array(["S01", "S02", "S03"])[np.arange(n) // 20],
            "gap_mm": gap.round(1),
            "below_resolution": False,
            "resolution_mm": 0.3,
            "status": np.where(torn, "complete", "none"),
            "basis": "mri",
            "verified": True,
            "pulley": "A2",
            "load": "loaded",
        }
    )


def threshold_results():
    rows = graded()
    return roc(rows), youden_cut(rows, n_boot=50, seed=1)


def outcome_rows(n=40, seed=3):
    """Interval-censored returns of two grades."""
    rng = np.random.default_rng(seed)
    left = rng.choice([0.0, 42.0, 90.0, 180.0], n)
    right = np.where(rng.random(n) < 0.25, np.inf, left + rng.choice([40.0, 55.0, 90.0], n))
    return pd.DataFrame(
        {
            "participant_id": [f"p{i}" for i in range(n)],
            "finger_id": [f"f{i}" for i in range(n)],
            "grade": np.where(np.arange(n) % 2, "I", "II"),
            "left_day": left,
            "right_day": right,
        }
    )


def outcome_results():
    rows = outcome_rows()
    return return_to_climbing(rows, n_boot=50, seed=1), kaplan_meier(rows)


@style.looks()
def texts(figure):
    """Every text that a reader sees."""
    found = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    shown = [t for t in found if t.axes is None or t.axes.axison or t not in _axis_texts(t.axes)]
    return [t for t in shown if t.get_window_extent().width > 0]


def _axis_texts(axes):
    return [*axes.xaxis.findobj(Text), *axes.yaxis.findobj(Text)]


@style.looks()
def outside(figure):
    """What reaches beyond the page by more than a pixel: panels with their texts, the footer."""
    figure.draw_without_rendering()
    page = figure.bbox
    drawn = [("panel", axes.get_tightbbox()) for axes in figure.axes]
    drawn += [("legend", a.get_legend().get_window_extent()) for a in figure.axes if a.get_legend()]
    drawn += [("footer", text.get_window_extent()) for text in figure.texts]
    return [
        (name, box.extents)
        for name, box in drawn
        if box is not None
        and (
            box.x0 < page.x0 - 1
            or box.x1 > page.x1 + 1
            or box.y0 < page.y0 - 1
            or box.y1 > page.y1 + 1
        )
    ]


@style.looks()
def overlaps(figure):
    """Pairs of texts that cover one another by more than two pixels both ways.

    Labels of ticks of one axes are spaced by the plotting library and left out.
    """
    figure.draw_without_rendering()
    of_axes = {id(t): axes for axes in figure.axes for t in _axis_texts(axes)}
    shown = [t for t in texts(figure) if not _beyond_its_axis(t, of_axes.get(id(t)))]
    ticks = {i: id(axes) for i, axes in of_axes.items()}
    boxes = [(t.get_text(), t.get_window_extent(), ticks.get(id(t), id(t))) for t in shown]
    return [
        (first, second)
        for i, (first, a, of) in enumerate(boxes)
        for second, b, other in boxes[i + 1 :]
        if of != other
        and first != second
        and min(a.x1, b.x1) - max(a.x0, b.x0) > 2
        and min(a.y1, b.y1) - max(a.y0, b.y0) > 2
    ]


def _beyond_its_axis(text, axes):
    """Label of a tick that lies outside the axes, which is never drawn."""
    box = text.get_window_extent()
    if axes is None or text in (axes.xaxis.label, axes.yaxis.label):
        return False
    x, y = (box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2
    if text in axes.xaxis.findobj(Text):
        return not axes.bbox.x0 - 1 <= x <= axes.bbox.x1 + 1
    return text in axes.yaxis.findobj(Text) and not axes.bbox.y0 - 1 <= y <= axes.bbox.y1 + 1


def smallest_font(figure):
    return min(t.get_fontsize() for t in texts(figure))


def all_text(figure):
    return "\n".join(t.get_text() for t in texts(figure))


def svg(figure):
    return style.picture(figure, "svg")
