"""Pages of measured coverage: written by the command they name, and found again by it."""

from __future__ import annotations

import pytest

from tests.coverage import PAGES
from tests.covered import HIGH, LOW, Row, markdown, printed

SLOW = {"components": 20, "effects": 20}  # measured again on a part


@pytest.mark.parametrize("name", PAGES)
def test_a_page_prints_its_numbers(repository, name):
    """The Markdown is what the numbers of the CSV make."""
    folder = repository / "docs/methods"
    rows = [
        Row(design, figure, share / 100, n_sim)
        for (design, figure), (share, n_sim) in printed(folder, name).items()
    ]
    text = (folder / f"coverage_{name}.md").read_text(encoding="utf-8")
    most = max(row.n_sim for row in rows)
    again = markdown(PAGES[name], rows, most)
    assert [line.count("|") for line in text.splitlines()] == [
        line.count("|") for line in again.splitlines()
    ]
    assert len(rows) >= 12
    assert f"python -m {PAGES[name].module} docs/methods" in text


def test_a_row_outside_the_band_is_marked():
    assert Row("a", "b", LOW / 100, 4000).shown == "93.5"
    assert Row("a", "b", HIGH / 100 + 0.001, 4000).shown == "*96.6*"
    # by hand: 100 root(0.95 0.05 / 4000)
    assert Row("a", "b", 0.95, 4000).error == pytest.approx(0.3446, abs=1e-4)


@pytest.mark.long
@pytest.mark.parametrize("name", PAGES)
def test_measured_again(repository, name):
    found = printed(repository / "docs/methods", name)
    most = max(n_sim for _, n_sim in found.values())
    part = SLOW.get(name, 1)
    rows = PAGES[name].rows(most // part)
    assert [(r.design, r.figure) for r in rows] == list(found)
    for row in rows:
        share, n_sim = found[row.design, row.figure]
        assert row.n_sim == pytest.approx(n_sim / part, rel=0.05)
        # Other linear algebra may turn a few of 4,000 hits. A part of the tables may differ by
        # chance: by hand, five Monte Carlo errors, and no less than one table in a hundred.
        chance = 5 * Row("", "", share / 100, row.n_sim).error
        slack = 0.3 if part == 1 else max(chance, 1)
        assert 100 * row.share == pytest.approx(share, abs=slack), row
