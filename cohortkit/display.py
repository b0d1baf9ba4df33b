"""How numbers look: one rule by unit for terminal, Markdown and HTML.

Rounding happens here and nowhere else.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from typing import Any

_DECIMALS = {
    "mm": 2,
    "d": 0,
    "%": 1,
    "1": 3,
    "a": 1,
    "deg": 0,
    "N": 0,
    "cm": 1,
    "h/wk": 1,
    "{participants}": 0,
}
_NOISE = 1e-9  # below this, a measurement is what is left of a difference of equal numbers
_TIMES = {"d", "wk", "mo", "a"}
_SUFFIX = {"1": "", "{participants}": ""}
LEVELS = ("participants", "fingers", "readings", "episodes")
"""What an n can count, in the order in which they are shown."""
_HEADINGS = ("estimate", "group", "value", "interval", *LEVELS)


def number(value: float, unit: str) -> str:
    """Format `value` by its UCUM `unit`.

    NaN reads 'not reached' for a time and 'undefined' for the rest; infinity reads
    'no limit'.
    """
    if value is None or math.isnan(value):
        return "not reached" if unit in _TIMES else "undefined"
    if math.isinf(value):
        return "no limit" if value > 0 else "no lower limit"
    size = abs(value)
    decimals = _DECIMALS.get(unit, 3)
    if unit in _DECIMALS and unit != "1" and size < _NOISE:
        size = value = 0.0
    rounds_to_zero = 0 < size < 0.5 * 10**-decimals
    if size >= 1e6 or rounds_to_zero:
        return f"{value:.2g}"
    return f"{abs(value) if size == 0 else value:.{decimals}f}"


def counted(n: int, noun: str) -> str:
    """A number with its noun: '1 rater', '2 raters'."""
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def interval(lower: float, upper: float, unit: str) -> str:
    """Format limits as ``[a, b]``; empty if there is no interval."""
    if math.isnan(lower) and math.isnan(upper):
        return ""
    return f"[{number(lower, unit)}, {number(upper, unit)}]"


def p_value(value: float) -> str:
    """A p value as ``p = 0.43``: two decimals, three below 0.1, never 0."""
    if value < 0.001:
        return "p < 0.001"
    return f"p = {value:.3f}" if value < 0.0995 else f"p = {value:.2f}"


def with_unit(text: str, unit: str) -> str:
    """Append the unit; a pure number has none, and a slope on a column is so much per column."""
    own, _, step = unit.partition("/{")
    suffix = f"{own} per {step.removesuffix('}')}".strip() if step else _SUFFIX.get(unit, unit)
    return f"{text} {suffix}".strip() if text[:1].isdigit() or text[:1] == "-" else text


def estimate_line(estimate: dict[str, Any]) -> str:
    """One estimate on one line, with its interval and n."""
    unit = estimate["unit"]
    head = estimate["name"] + (f" ({estimate['group']})" if estimate["group"] else "")
    body = with_unit(number(estimate["value"], unit), unit)
    limits = interval(estimate["lower"], estimate["upper"], unit)
    level = estimate["level"]
    if limits and not math.isnan(level):
        body += f", {100 * level:g} % interval {limits}"
    return f"{head}: {body}; {sample_sizes(estimate)}".rstrip("; ")


def sample_sizes(estimate: dict[str, Any]) -> str:
    """The n at each level that exists, as '60 participants, 240 readings'."""
    parts = []
    for level in LEVELS:
        n = estimate.get(f"n_{level}")
        if n is not None:
            parts.append(f"{n} {level[:-1] if n == 1 else level}")
    return ", ".join(parts)


def _cells(estimate: dict[str, Any]) -> list[str]:
    unit = estimate["unit"]
    counts = [estimate.get(f"n_{level}") for level in LEVELS]
    return [
        estimate["name"],
        estimate["group"],
        with_unit(number(estimate["value"], unit), unit),
        interval(estimate["lower"], estimate["upper"], unit),
        *("" if n is None else str(n) for n in counts),
    ]


def _table(result: dict[str, Any]) -> tuple[list[str], list[list[str]]]:
    rows = [_cells(e) for e in result["estimates"]]
    used = [i for i in range(len(_HEADINGS)) if i < 1 or any(r[i] for r in rows)]
    return [_HEADINGS[i] for i in used], [[r[i] for i in used] for r in rows]


def text_table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A plain-text table with columns as wide as they need to be."""
    grid = [list(headings), *[list(r) for r in rows]]
    widths = [max(len(line[i]) for line in grid) for i in range(len(headings))]
    lines = [
        "  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip() for line in grid
    ]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(lines)


def html_table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """The same table as HTML; every cell is escaped."""
    head = "".join(f"<th>{html.escape(h)}</th>" for h in headings)
    body = "".join(
        "<tr>" + "".join(f"<td>{html.escape(c)}</td>" for c in row) + "</tr>" for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def result_text(result: dict[str, Any]) -> str:
    """A result for the terminal: title, table, cautions."""
    parts = [result["question"], text_table(*_table(result))]
    parts += [f"Caution ({c['code']}): {c['message']}" for c in result["cautions"]]
    return "\n".join(parts)


def result_html(result: dict[str, Any]) -> str:
    """A result for a notebook or page: title, table, cautions."""
    cautions = "".join(
        f"<p><strong>Caution.</strong> {html.escape(c['message'])}</p>" for c in result["cautions"]
    )
    title = f"<p><strong>{html.escape(result['question'])}</strong></p>"
    return title + html_table(*_table(result)) + cautions
