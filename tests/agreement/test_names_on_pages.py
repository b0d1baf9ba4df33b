"""Every name that a result of this room prints is explained on a page."""

from __future__ import annotations

import re

import pytest

from cohortkit import agreement
from tests.agreement.test_reading_kinds import EVERY, first, readings

MORE = {
    "reliability of a plan": lambda d: agreement.reliability(d, n_boot=100, m_reads=2),
    "rater_effects": lambda d: agreement.rater_effects(first(d)),
    "one rater": lambda d: agreement.icc(d[d["rater_id"] == "R0"], rater=None),
    "constant spread": lambda d: agreement.limits_regression(first(d), spread="constant"),
    "quality": lambda d: agreement.reading_quality(
        d.assign(below_resolution=False, blinded_to_prior=True, blinded_to_reference=False)
    ),
}


@pytest.fixture(scope="module")
def explained(repository):
    pages = [repository / "docs" / "words.md", *(repository / "docs" / "methods").glob("*.md")]
    text = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    return {word for span in re.findall(r"`([^`\n]+)`", text) for word in re.split(r"[,\s]+", span)}


@pytest.mark.parametrize("name", EVERY | MORE)
def test_every_estimate_is_named_on_a_page(name, explained):
    result = (EVERY | MORE)[name](readings(24))
    plain = (e.name.removesuffix("_new_site") for e in result)
    names = {re.sub(r"^(icc|sem)_\w+_averaged$", r"\1_*_averaged", n) for n in plain}
    assert names
    assert names - explained == set()
