"""The threshold figure: ROC, sensitivity and specificity by cut, spread over sites."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from cohortkit.display import interval, number
from cohortkit.figures import marks, style
from cohortkit.thresholds.auc import Roc
from cohortkit.thresholds.youden import YoudenCut

WIDTH_MM = 183
_BELOW_LEGEND = 0.85
_MEASURES = ("sensitivity", "specificity")
_NO_CUT = "no cut point estimated"


@dataclass(frozen=True)
class ThresholdStratum:
    """What one row of the threshold figure shows.

    Parameters
    ----------
    roc
        From `thresholds.roc`: its curve and area. A text says why there is none.
    cut
        From `thresholds.youden_cut`: the cut and its value without each site; or
        a text.
    stated_cut
        The cut that the plan states, in mm.
    target
        What counts as positive, in words.
    """

    roc: Roc | str
    cut: YoudenCut | str
    stated_cut: float
    target: str


def source(strata: Mapping[str, ThresholdStratum]) -> pd.DataFrame:
    """The numbers behind the threshold figure (see `cohortkit.figures.marks`).

    Sensitivity and specificity stand in ``y`` over the cut in ``x``, which holds
    from above ``lower`` up to ``upper``. AUC and cut points have their value in
    ``x``.
    """
    rows = []
    for name, parts in strata.items():
        rows.append(marks.mark("target", name, "target", parts.target))
        rows.append(marks.mark("cut", name, "stated_cut", x=parts.stated_cut, unit="mm"))
        if isinstance(parts.roc, str):
            rows.append(marks.mark("roc", name, "none", parts.roc))
        else:
            rows.append(marks.estimate_mark("roc", name, "auc", parts.roc["auc"]))
            rows += [
                marks.mark(
                    "curve",
                    name,
                    measure,
                    x=point["cut"],
                    y=point[measure],
                    lower=point["above"],
                    upper=point["up_to"],
                    unit="mm",
                )
                for measure in _MEASURES
                for point in marks.records(parts.roc.curve)
            ]
        if isinstance(parts.cut, str):
            rows.append(marks.mark("cut", name, "none", parts.cut))
            continue
        rows += [marks.estimate_mark("cut", name, m, parts.cut[m]) for m in _MEASURES]
        whole = parts.cut["cut_point"]
        rows.append(marks.estimate_mark("cut", name, "cut_point", whole) | {"label": "all sites"})
        rows += [_site_mark(name, site) for site in marks.records(parts.cut.sites)]
    return marks.frame(rows)


def _site_mark(name: str, site: marks.Row) -> marks.Row:
    left_out = str(site["site_left_out"])
    if pd.isna(site["cut_point"]):
        return marks.mark("sites", name, "none", f"{left_out}: {site['reason']}")
    text = f"without {left_out}\n{site['positive']} torn, {site['negative']} others"
    return marks.mark("sites", name, "cut_point", text, x=site["cut_point"], unit="mm")


@style.styled
def draw(source: pd.DataFrame, footer: Sequence[str] = ()) -> Figure:
    """Draw the threshold figure, 183 mm wide, one row per stratum, from its source table."""
    table = marks.checked(source)
    names = marks.series_of(table)
    height = 60 * len(names) + style.footer_height_mm(footer, WIDTH_MM)
    figure = style.new_figure(WIDTH_MM, height)
    grid = figure.subplots(len(names), 3, squeeze=False)
    for i, name in enumerate(names):
        rows = marks.pick(table, series=name)
        letters = "abcdefghijkl"[3 * i : 3 * i + 3]
        auc = marks.pick(rows, mark="auc")
        n = f"n: {marks.n_text(auc.iloc[0])}" if len(auc) else " "
        style.panel_title(grid[i, 0], letters[0], f"{name}: ROC", n)
        style.panel_title(grid[i, 1], letters[1], "Accuracy by cut", _classes(rows))
        style.panel_title(grid[i, 2], letters[2], "Cut without each site", "n: rows at that site")
        _roc(grid[i, 0], rows)
        _by_cut(grid[i, 1], rows)
        _sites(grid[i, 2], rows)
    style.add_footer(figure, footer)
    return figure


def _classes(rows: pd.DataFrame) -> str:
    """What counts as positive, with the rows of both classes if a cut was estimated."""
    target = str(marks.pick(rows, mark="target")["label"].iloc[0])
    n = [marks.pick(rows, panel="cut", mark=m)["n_readings"] for m in _MEASURES]
    if any(part.empty for part in n):
        return f"target: {target}"
    positive, negative = (int(part.iloc[0]) for part in n)
    return f"n: {positive} {target}, {negative} others"


def _curve(rows: pd.DataFrame) -> pd.DataFrame:
    """Cut, sensitivity and specificity side by side, by rising cut."""
    parts = {m: marks.pick(rows, panel="curve", mark=m) for m in _MEASURES}
    wide = parts["sensitivity"][["x", "lower", "upper"]].reset_index(drop=True)
    return wide.assign(**{m: part["y"].to_numpy() for m, part in parts.items()})


def _roc(axes: Axes, rows: pd.DataFrame) -> None:
    auc = marks.pick(rows, mark="auc")
    if auc.empty:
        style.no_data(axes, marks.reasons(marks.pick(rows, panel="roc")))
        return
    curve = _curve(rows)
    axes.plot([0, 1], [0, 1], color=style.GREY, linewidth=0.5, linestyle=":")
    axes.plot(
        1 - curve["specificity"],
        curve["sensitivity"],
        color=style.PALETTE["blue"],
        marker=".",
        markersize=2,
    )
    row = auc.iloc[0]
    axes.text(
        0.98,
        0.04,
        f"AUC {number(row['x'], '1')}\n{100 * row['level']:g} % interval\n"
        f"{interval(row['lower'], row['upper'], '1')}",
        ha="right",
        va="bottom",
        fontsize=style.SMALL_PT,
    )
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02), aspect="equal")
    axes.set_xlabel("1 - specificity")
    axes.set_ylabel("sensitivity")


def _by_cut(axes: Axes, rows: pd.DataFrame) -> None:
    curve = _curve(rows)
    if curve.empty:
        style.no_data(axes, marks.reasons(marks.pick(rows, panel="roc")))
        return
    inside = curve[np.isfinite(curve["lower"])]
    edges = [float(inside["lower"].iloc[0]) - 0.2, *inside["lower"]]
    for measure, colour, line in (("sensitivity", "blue", "-"), ("specificity", "green", "--")):
        before = float(curve[measure].iloc[len(curve) - len(inside) - 1])
        axes.step(
            edges,
            [before, *inside[measure]],
            where="post",
            color=style.PALETTE[colour],
            linestyle=line,
            label=measure,
        )
    cut = marks.pick(rows, panel="cut", mark="cut_point")
    if len(cut):
        row = cut.iloc[0]
        axes.axvspan(
            row["lower"], row["upper"], ymax=_BELOW_LEGEND, color=style.PALE, zorder=0, linewidth=0
        )
        axes.axvline(row["x"], ymax=_BELOW_LEGEND, color=style.PALETTE["vermillion"], linewidth=0.9)
        span = interval(row["lower"], row["upper"], "mm")
        text = f"line, grey: Youden cut {number(row['x'], 'mm')} {span}"
    else:
        text = _NO_CUT
    stated = float(marks.pick(rows, mark="stated_cut")["x"].iloc[0])
    axes.axvline(stated, ymax=_BELOW_LEGEND, color=style.GREY, linewidth=0.7, linestyle=":")
    axes.set_ylim(0, 1 / _BELOW_LEGEND)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1])
    axes.legend(loc="upper center", borderpad=0, handlelength=1.6, ncols=2)
    axes.set_xlabel(
        f"cut: positive at or above (mm)\n{text}\ndotted: stated cut {number(stated, 'mm')}"
    )


def _sites(axes: Axes, rows: pd.DataFrame) -> None:
    every = marks.pick(rows, mark="cut_point")
    if every.empty:
        style.no_data(axes, marks.reasons(marks.pick(rows, panel="cut")))
        return
    lines = marks.records(every)
    for i, row in enumerate(lines):
        colour = style.PALETTE["vermillion" if row["panel"] == "cut" else "black"]
        if row["panel"] == "cut":
            axes.axvspan(row["lower"], row["upper"], color=style.PALE, zorder=0, linewidth=0)
        axes.plot(row["x"], -i, "o", color=colour)
    labels = [
        f"{r['label']}\n{marks.n_text(r).split(', ')[0]}" if r["panel"] == "cut" else r["label"]
        for r in lines
    ]
    axes.set_yticks([-i for i in range(len(lines))], labels)
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(-len(lines) + 0.4, 0.6)
    failed = marks.pick(rows, panel="sites", mark="none")["label"]
    axes.set_xlabel("\n".join(["cut (mm); grey: interval of all sites", *failed]))
