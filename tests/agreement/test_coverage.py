"""Intervals hold as often as they say: a quick look, and the published table in full."""

from __future__ import annotations

import re

import pytest

from tests.agreement.simulated import DESIGNS, SHOWN, Design, label, measure
from tests.agreement.simulated_limits import SINGLE, single
from tests.covered import printed

HOLDING = ("icc_a_1", "icc_c_1", "sem_agreement", "sem_consistency")
# 400 runs of a 95 % interval have a standard error of 1.09 points: band of 4 errors
QUICK = (0.906, 0.994)
# 4,000 runs: 0.34 points; a true 95 % leaves this band once in 65,000 times (binomial)
BAND = (0.9345, 0.9655)  # 93.5 to 96.5 after rounding to one decimal


def published(page: str, heading: str) -> list[list[str]]:
    """Cells of the table that follows a heading of a methods page."""
    part = page.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    lines = re.findall(r"^\|(.+)\|$", part, flags=re.MULTILINE)[2:]
    return [[cell.strip() for cell in line.split("|")] for line in lines]


@pytest.mark.parametrize("design", [Design(30, 3, 1, 1, 0.3), Design(15, 3, 0.5, 0.05, 0.5)])
def test_icc_and_sem_hold_in_a_quick_look(design):
    found = measure(design, 400, seed=1)
    for name in HOLDING:
        assert QUICK[0] < found[name] < QUICK[1], name


def test_usual_interval_fails_where_few_raters_differ_much():
    found = measure(Design(30, 3, 1, 1, 0.3), 400, seed=1)
    # source: planted truth; measured with 4,000 runs the F interval covers 84 % there
    assert found["icc_a_1 f"] < QUICK[0]
    assert found["icc_1_1"] < QUICK[0]


@pytest.mark.parametrize("n", [2, 3, 17])
def test_limits_of_agreement_hold_in_a_quick_look(n):
    for name, covered in single((n, "normal"), 400, 1).items():
        assert QUICK[0] < covered < QUICK[1], name


@pytest.mark.parametrize("row", range(len(DESIGNS)))
def test_the_page_prints_the_measured_coverage_of_icc_and_sem(repository, row):
    page = (repository / "docs/methods/icc.md").read_text(encoding="utf-8")
    design = DESIGNS[row]
    cells = published(page, "Measured coverage")[row]
    assert cells[0] == f"{design.n} x {design.k}"
    rows = printed(repository / "docs/methods", "icc")
    for name, cell in zip(SHOWN, cells[3:], strict=True):
        share, n_sim = rows[label(design), name]
        assert n_sim == 4000
        assert float(cell.strip("*")) == pytest.approx(share, abs=0.051), name
        assert cell.startswith("*") is not (BAND[0] <= share / 100 <= BAND[1]), name


@pytest.mark.parametrize("row", range(len(SINGLE)))
def test_the_page_prints_the_measured_coverage_of_limits(repository, row):
    page = (repository / "docs/methods/limits_of_agreement.md").read_text(encoding="utf-8")
    n, shape = SINGLE[row]
    cells = published(page, "Measured coverage")[row]
    assert cells[:2] == [str(n), shape]
    rows = printed(repository / "docs/methods", "limits")
    for name, cell in zip(("bias", "lower_limit", "upper_limit"), cells[2:], strict=True):
        share, _ = rows[f"limits_of_agreement | {n} pairs, {shape}", name]
        assert float(cell.strip("*")) == pytest.approx(share, abs=0.051), name
        assert cell.startswith("*") is not (BAND[0] <= share / 100 <= BAND[1]), name
