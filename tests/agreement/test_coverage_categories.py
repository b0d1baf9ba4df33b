"""Intervals of agreement on categories: a quick look, and the published tables in full."""

from __future__ import annotations

import numpy as np
import pytest

from tests.agreement.covered_ratings import DESIGNS, label, measure, measure_bootstrap
from tests.agreement.planted_ratings import Design
from tests.agreement.test_coverage import published
from tests.covered import printed

HOLDING = ("cohen_unweighted", "cohen_quadratic", "fleiss", "gwet_unweighted", "alpha", "overall")
# 300 runs of a 95 % interval have a standard error of 1.26 points: 4 errors below, exact above
QUICK = 90.0
RARE = Design(30, 1, 2, 0.8, edges=(0.9,))

# 93.5 to 96.5 after rounding to one decimal; figures outside stand between asterisks
BAND = (93.45, 96.55)

# page, and what stands in its columns after the three that describe the design
PAGES = {
    "cohen_kappa": [
        "cohen_unweighted fisher_z",
        "cohen_unweighted published",
        "cohen_quadratic fisher_z",
        "cohen_quadratic published",
    ],
    "fleiss_kappa": ["fleiss fisher_z", "fleiss published"],
    "gwet_ac": [
        "gwet_unweighted fisher_z",
        "gwet_unweighted published",
        "gwet_quadratic fisher_z",
        "gwet_quadratic published",
    ],
    "krippendorff_alpha": ["alpha fisher_z", "alpha published"],
    "specific_agreement": [
        "overall fisher_z",
        "specific_strain fisher_z",
        "specific_complete fisher_z",
    ],
}


@pytest.mark.parametrize("design", [Design(30, 2, 2, 0.8, 0.6), Design(50, 1, 2, 0.9)], ids=str)
def test_intervals_hold_in_a_quick_look(design):
    found = measure(design, 300, seed=1)
    for name in HOLDING:
        assert found[f"{name} fisher_z"] > QUICK, name


def test_several_raters_hold_in_a_quick_look():
    found = measure(Design(40, 1, 5, 0.6, absent=0.2), 300, seed=1)
    for name in ("fleiss", "gwet_quadratic", "alpha", "specific_strain", "specific_complete"):
        assert found[f"{name} fisher_z"] > QUICK, name


def test_published_interval_is_the_narrower_where_raters_agree_well():
    found = measure(Design(20, 1, 2, 0.9), 300, seed=1)
    assert found["cohen_quadratic published"] < found["cohen_quadratic fisher_z"] - 3
    assert found["gwet_quadratic published"] < found["gwet_quadratic fisher_z"] - 3


def test_a_rare_category_takes_every_kappa_off_its_level():
    found = measure(RARE, 300, seed=1)
    assert found["cohen_unweighted fisher_z"] < QUICK
    assert found["cohen_unweighted undefined"] > 0


def test_truths_are_those_of_a_large_sample():
    design = Design(60_000, 1, 2, 0.8)
    ratings = design.draw(np.random.default_rng(1))
    counts = np.zeros((4, 4))
    np.add.at(counts, (ratings.codes[:, 0], ratings.codes[:, 1]), 1)
    # planted truth: shares of a bivariate normal cut at three edges
    assert counts / counts.sum() == pytest.approx(design.joint, abs=0.006)


def cell(text: str) -> float:
    return float(text.strip("*"))


@pytest.mark.parametrize("row", range(len(DESIGNS)))
def test_pages_print_the_measured_coverage(repository, row):
    rows = printed(repository / "docs/methods", "categories")
    words = label(DESIGNS[row])
    found = {figure: share for (name, figure), (share, _) in rows.items() if name == words}
    for page, columns in PAGES.items():
        text = (repository / f"docs/methods/{page}.md").read_text(encoding="utf-8")
        listed = {cells[0]: cells for cells in published(text, "Measured coverage")}
        cells = listed.get(words.split(" | ")[0])
        if cells is None:
            assert page == "cohen_kappa"
            continue
        for text, name in zip(cells[3:], columns, strict=True):
            if name not in found:
                assert text == ""
                continue
            assert found[name] == pytest.approx(cell(text), abs=0.06), (page, name)
            assert text.startswith("*") is not (BAND[0] < found[name] < BAND[1]), (page, name)


@pytest.mark.long
@pytest.mark.parametrize(("row", "stated"), [(1, 94.9), (2, 93.8)])
def test_published_coverage_of_the_bootstrap(repository, row, stated):
    page = (repository / "docs/methods/cohen_kappa.md").read_text(encoding="utf-8")
    assert f"{stated} %" in page
    # source: measured, 1,000 samples with 299 resamples each
    assert measure_bootstrap(DESIGNS[row], 1000, 299) == pytest.approx(stated, abs=0.06)
