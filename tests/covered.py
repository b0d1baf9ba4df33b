"""One shape for every page of measured coverage: a CSV with all figures and a Markdown table."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

LOW, HIGH = 93.5, 96.5
FIELDS = ("design", "figure", "covered_percent", "monte_carlo_error", "n_sim")


@dataclass(frozen=True)
class Row:
    """Share of n_sim simulated tables in which the interval of a figure held the truth."""

    design: str
    figure: str
    share: float
    n_sim: int

    @property
    def error(self) -> float:
        """Monte Carlo standard error, in per cent."""
        return 100 * math.sqrt(self.share * (1 - self.share) / self.n_sim)

    @property
    def shown(self) -> str:
        """Per cent to one decimal, between asterisks if outside the band."""
        text = f"{100 * self.share:.1f}"
        return text if LOW <= float(text) <= HIGH else f"*{text}*"


@dataclass(frozen=True)
class Page:
    """What is measured, and what the page says above its table.

    `rows` takes n_sim; `columns` are the figures, in the order of the table; `design`
    heads the first columns, whose cells stand in `Row.design` with " | " between.
    """

    name: str
    title: str
    module: str
    columns: tuple[str, ...]
    rows: Callable[[int], Sequence[Row]]
    words: str
    design: tuple[str, ...] = ("function", "setting")


def markdown(page: Page, rows: Sequence[Row], n_sim: int) -> str:
    """The page."""
    table: dict[str, dict[str, Row]] = {}
    for row in rows:
        table.setdefault(row.design, {})[row.figure] = row
    shown = [c for c in page.columns if any(c in found for found in table.values())]
    heads = (*page.design, *(c.replace("_", " ") for c in shown), "n_sim")
    lines = [
        f"# Measured coverage of the intervals of {page.title}",
        "",
        "Share of simulated tables whose nominal 95 % interval held the truth, in per cent. "
        f"Monte Carlo error of a true 95 %: {_error(4000)} points with 4,000 tables, "
        f"{_error(1000)} with 1,000, {_error(400)} with 400; each number with its own error is in "
        f"coverage_{page.name}.csv. Figures between asterisks lie outside {LOW} to {HIGH}. An "
        "empty place: no such figure there.",
        "",
        f"Written by `python -m {page.module} docs/methods {n_sim}`. {page.words}",
        "",
        f"| {' | '.join(heads)} |",
        "|---" * len(heads) + "|",
    ]
    for design, found in table.items():
        cells = [found[c].shown if c in found else "" for c in shown]
        runs = next(iter(found.values())).n_sim
        lines.append(f"| {design} | {' | '.join(cells)} | {runs:,} |")
    return "\n".join(lines) + "\n"


def _error(n_sim: int) -> str:
    return f"{100 * math.sqrt(0.95 * 0.05 / n_sim):.2f}"


def write(page: Page, folder: Path, n_sim: int) -> None:
    """Both files of a page."""
    rows = page.rows(n_sim)
    with (folder / f"coverage_{page.name}.csv").open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(FIELDS)
        out.writerows(
            [r.design, r.figure, f"{100 * r.share:.2f}", f"{r.error:.2f}", r.n_sim] for r in rows
        )
    text = markdown(page, rows, n_sim)
    (folder / f"coverage_{page.name}.md").write_text(text, encoding="utf-8")


def printed(folder: Path, name: str) -> dict[tuple[str, str], tuple[float, int]]:
    """Design and figure of a committed page to its coverage in per cent, and n_sim."""
    with (folder / f"coverage_{name}.csv").open(encoding="utf-8") as file:
        return {
            (r["design"], r["figure"]): (float(r["covered_percent"]), int(r["n_sim"]))
            for r in csv.DictReader(file)
        }
