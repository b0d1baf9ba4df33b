"""The interval of a reference limit holds as often as the binomial says."""

from __future__ import annotations

import re

import pytest

from tests.reference.simulated import SAMPLES, Sample, exact, measure


@pytest.mark.parametrize(
    "sample", [Sample(120, 0.975), Sample(120, 0.975, "skewed"), Sample(60, 0.95)]
)
def test_interval_holds_in_a_quick_look(sample):
    # 400 runs of an interval that covers 92 % have a standard error of 1.36 points: 4 errors
    assert measure(sample, 400, seed=1) == pytest.approx(exact(sample), abs=0.055)


@pytest.mark.parametrize("sample", SAMPLES)
def test_binomial_coverage_is_never_below_the_level(sample):
    assert exact(sample) >= 0.90


@pytest.mark.long
@pytest.mark.parametrize("row", range(len(SAMPLES)))
def test_published_coverage(repository, row):
    page = (repository / "docs/methods/reference_interval.md").read_text(encoding="utf-8")
    part = page.split("## Measured coverage\n", 1)[1].split("\n## ", 1)[0]
    line = re.findall(r"^\|(.+)\|$", part, flags=re.MULTILINE)[2:][row]
    n, share, shape, measured, binomial = (cell.strip() for cell in line.split("|"))
    sample = SAMPLES[row]
    assert (n, share, shape) == (str(sample.n), f"{100 * sample.share:g} %", sample.shape)
    found = measure(sample, 4000)
    assert 100 * found == pytest.approx(float(measured), abs=0.06)
    assert 100 * exact(sample) == pytest.approx(float(binomial), abs=0.06)
    # 4,000 runs have a standard error of at most 0.47 points; ties only add coverage
    assert found >= exact(sample) - 0.0175
    assert sample.shape.startswith("rounded") or found <= exact(sample) + 0.0175
