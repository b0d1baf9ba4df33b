"""The flow figure: from records read to the rows behind each answer.

What STARD item 19 and STROBE item 13 ask for: numbers at each stage, with the
reason for each loss.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from itertools import chain, zip_longest

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from cohortkit.figures import marks, style, words

WIDTH_MM = 183
_TEXT_PT = 6.5
_LINE_MM = _TEXT_PT * 1.3 / 72 * style.MM_PER_INCH
_PAD_MM = 1.4
_ARROW_MM = 4.0
_GAP_MM = 5.0
_PER_ROW = 4
_COLUMN = "\t"
_STATES = ("read", "accepted", "refused", "blank")
_LEFT_MM, _LEFT_WIDE, _RIGHT_MM, _RIGHT_WIDE = 2.0, 70.0, 82.0, 99.0
_REASON_CHARACTERS = 38


def source(
    flow: pd.DataFrame,
    sets: Mapping[str, pd.DataFrame],
    people: Mapping[str, int] | None = None,
) -> pd.DataFrame:
    """The counts that the flow figure shows, one row each.

    Parameters
    ----------
    flow
        A release's flow: step (read, blank, refused, accepted, released), site_id,
        unit, n, reason.
    sets
        Title of each analysis set and its flow table: step, reason,
        participants, fingers, readings. First row the start, last the set.
    people
        How many of the released participants have something that a set starts
        from, as ``{"with a reading": 549}``.

    Returns
    -------
    pandas.DataFrame
        A source table (see `cohortkit.figures.marks`); counts of records, reasons
        and released rows stand in ``y``.
    """
    rows = []
    records = flow[flow["unit"] == "records"]
    for site, part in records.groupby("site_id", sort=True):
        totals = part.groupby("step")["n"].sum()
        rows += [
            marks.mark("records", str(site), state, y=int(totals.get(state, 0)), unit="1")
            for state in _STATES
        ]
    refused = records[records["step"] == "refused"].groupby("reason", sort=True)["n"].sum()
    rows += [
        marks.mark("refused", "all sites", "reason", words.problem(str(reason)), y=int(n), unit="1")
        for reason, n in refused.items()
    ]
    released = flow[flow["step"] == "released"]
    rows += [
        marks.mark("released", "all sites", str(unit), y=int(part["n"].sum()), unit="1")
        for unit, part in released.groupby("unit", sort=False)
    ]
    rows += [
        marks.mark("people", "all sites", "participants", said, y=n, unit="1")
        for said, n in (people or {}).items()
    ]
    for title, steps in sets.items():
        rows += [_step_mark(title, step) for step in marks.records(steps)]
    return marks.frame(rows)


def _step_mark(title: str, step: marks.Row) -> marks.Row:
    counts = {count: step.get(count.removeprefix("n_")) for count in marks.COUNTS}
    reason = step["reason"]
    label = "" if reason is None or pd.isna(reason) else str(reason)
    return marks.mark("set", title, str(step["step"]), label, **counts)


@style.styled
def draw(source: pd.DataFrame, footer: Sequence[str] = ()) -> Figure:
    """Draw the flow from its source table: journey of the records above, sets below.

    The figure is 183 mm wide and as high as its text needs.
    """
    table = marks.checked(source)
    left, right = _journey(table)
    columns = [_set_boxes(pick) for _, pick in _sets(table)]
    rows = [columns[i : i + _PER_ROW] for i in range(0, len(columns), _PER_ROW)]
    top_height = max(_stack_height(left), _stack_height(right))
    row_heights = [max(_stack_height(c) for c in row) for row in rows]
    height = top_height + sum(row_heights) + _GAP_MM * (len(rows) + 1)
    bottom = style.footer_height_mm(footer, WIDTH_MM)
    figure = style.new_figure(WIDTH_MM, height + bottom)
    figure.set_layout_engine("none")
    axes = figure.add_axes((0, bottom / (height + bottom), 1, height / (height + bottom)))
    axes.set(xlim=(0, WIDTH_MM), ylim=(0, height))
    axes.set_axis_off()
    top = height - 2
    _draw_stack(axes, _LEFT_MM, top, _LEFT_WIDE, left)
    _draw_stack(axes, _RIGHT_MM, top, _RIGHT_WIDE, right, arrows=False)
    _branch(axes, top - _box_height(left[0]) - _ARROW_MM / 2)
    frozen = top - _stack_height(left) + 2
    top -= top_height + _GAP_MM
    _fan(axes, frozen, top, len(rows[0]) if rows else 0)
    for row, row_height in zip(rows, row_heights, strict=True):
        for i, column in enumerate(row):
            x, width = _column(i)
            _draw_stack(axes, x, top, width, column)
        top -= row_height + _GAP_MM
    style.add_footer(figure, footer)
    return figure


def _sets(table: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    rows = marks.pick(table, panel="set")
    return [(name, marks.pick(rows, series=name)) for name in marks.series_of(rows)]


def _journey(table: pd.DataFrame) -> tuple[list[list[str]], list[list[str]]]:
    """Boxes of the records' journey: main path, and what stands beside it."""
    records = marks.pick(table, panel="records")
    totals = {s: int(marks.pick(records, mark=s)["y"].sum()) for s in _STATES}
    sites = marks.series_of(records)
    released = marks.pick(table, panel="released")
    people = marks.records(marks.pick(table, panel="people"))
    kept = []
    for row in marks.records(released):
        kept.append(f"{int(row['y']):,} {row['mark']}")
        if row["mark"] == "participants":
            kept += [f"    {int(p['y']):,} {p['label']}" for p in people]
    word = "site" if len(sites) == 1 else "sites"
    main = [
        [f"Records read: {totals['read']:,} from {len(sites)} {word}"],
        [f"Accepted: {totals['accepted']:,} records"],
        ["Pooled and frozen", *kept],
    ]
    lines = ["By site: read = accepted + refused + blank"]
    for site in sites:
        n = {s: int(marks.pick(records, series=site, mark=s)["y"].sum()) for s in _STATES}
        lines.append(
            f"{site}: {n['read']:,} = {n['accepted']:,} + {n['refused']:,} + {n['blank']:,}"
        )
    reasons = marks.pick(table, panel="refused").sort_values("y", ascending=False, kind="stable")
    refused = [f"Records refused: {totals['refused']:,}; declared blank: {totals['blank']:,}"]
    if len(reasons):
        refused.append("each under the first reason found for it:")
    told = [_reason_lines(int(r["y"]), str(r["label"])) for r in marks.records(reasons)]
    pairs = zip_longest(*_halves(told), fillvalue="")
    refused += [f"{left}{_COLUMN}{right}" for left, right in pairs]
    return main, [refused, lines]


def _reason_lines(n: int, reason: str) -> list[str]:
    first, *rest = textwrap.wrap(reason, _REASON_CHARACTERS)
    return [f"{n:,}  {first}", *(f"     {line}" for line in rest)]


def _halves(told: Sequence[list[str]]) -> tuple[list[str], list[str]]:
    """Reasons in two columns of about the same height, none torn apart."""
    whole, cut = sum(len(lines) for lines in told), 0
    while cut < len(told) and 2 * sum(len(lines) for lines in told[:cut]) < whole:
        cut += 1
    return list(chain(*told[:cut])), list(chain(*told[cut:]))


def _set_boxes(rows: pd.DataFrame) -> list[list[str]]:
    """Boxes of one analysis set: start, exclusions, what is left."""
    steps = marks.records(rows)
    units = [unit for unit in marks.COUNTS if rows[unit].notna().any()]
    question, _, stratum = str(steps[0]["series"]).partition(": ")
    title = [question, *(_wrap(stratum) if stratum else [])]
    boxes = [[*title, "Eligible at start", *_counts(steps[0])]]
    lost = [line for step in steps[1:-1] for line in _exclusion(step, units)]
    if lost:
        counted = " / ".join(unit.removeprefix("n_") for unit in units)
        boxes.append(["Excluded", *_wrap(counted), *lost])
    if len(steps) > 1:
        boxes.append(["In the set", *_counts(steps[-1])])
    return boxes


def _counts(step: marks.Row) -> list[str]:
    text = marks.n_text(step)
    return text.split(", ") if text else []


def _exclusion(step: marks.Row, units: Sequence[str]) -> list[str]:
    """Lines of one reason; a step that left nobody out has none."""
    n: list[int] = [0 if pd.isna(step[unit]) else int(step[unit]) for unit in units]
    if not any(n):
        return []
    reason = words.left_out(str(step["label"] or step["mark"]))
    return [" / ".join(f"{k:,}" for k in n), *("   " + line for line in _wrap(reason, 3))]


def _wrap(text: str, indent: int = 0) -> list[str]:
    return textwrap.wrap(text, 33 - indent) or [text]


def _box_height(lines: Sequence[str]) -> float:
    return len(lines) * _LINE_MM + 2 * _PAD_MM


def _stack_height(boxes: Sequence[Sequence[str]]) -> float:
    return sum(_box_height(b) for b in boxes) + _ARROW_MM * (len(boxes) - 1) + 2


def _column(i: int) -> tuple[float, float]:
    """Left edge and width of the column of a set, in mm."""
    width = (WIDTH_MM - 4 - 3 * (_PER_ROW - 1)) / _PER_ROW
    return 2 + i * (width + 3), width


def _arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    style_of = {"arrowstyle": "-|>", "lw": 0.8, "shrinkA": 0, "shrinkB": 0, "fc": "black"}
    axes.annotate("", xy=end, xytext=start, arrowprops=style_of)


def _branch(axes: Axes, y: float) -> None:
    """From the path of the records to the box of those that left it."""
    _arrow(axes, (_LEFT_MM + _LEFT_WIDE / 2, y), (_RIGHT_MM, y))


def _fan(axes: Axes, start: float, end: float, n: int) -> None:
    """From the frozen release to the first row of sets."""
    if not n:
        return
    middles = [left + width / 2 for left, width in map(_column, range(n))]
    trunk, bar = _LEFT_MM + _LEFT_WIDE / 2, end + _GAP_MM / 2 + 1
    axes.plot([trunk, trunk], [start, bar], color="black", linewidth=0.8)
    ends = [min(trunk, middles[0]), max(trunk, middles[-1])]
    axes.plot(ends, [bar, bar], color="black", linewidth=0.8)
    for middle in middles:
        _arrow(axes, (middle, bar), (middle, end))


def _draw_stack(
    axes: Axes,
    left: float,
    top: float,
    width: float,
    boxes: Sequence[Sequence[str]],
    arrows: bool = True,
) -> None:
    """Draw boxes below one another, joined by arrows."""
    for i, lines in enumerate(boxes):
        height = _box_height(lines)
        if i and arrows:
            _arrow(axes, (left + width / 2, top + _ARROW_MM), (left + width / 2, top))
        axes.add_patch(
            Rectangle((left, top - height), width, height, fill=False, lw=0.6, ec=style.GREY)
        )
        for j, line in enumerate(lines):
            for k, part in enumerate(line.split(_COLUMN)):
                axes.text(
                    left + 1.5 + k * width / 2,
                    top - _PAD_MM - (j + 0.5) * _LINE_MM,
                    part,
                    fontsize=_TEXT_PT,
                    fontweight="bold" if j == 0 else "normal",
                    va="center",
                )
        top -= height + _ARROW_MM
