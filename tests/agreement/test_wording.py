"""Words only by a named scheme, and for the whole interval."""

from __future__ import annotations

import math

import pytest

from cohortkit.agreement import icc, in_words
from cohortkit.agreement.wording import SCHEMES
from cohortkit.errors import ArgumentError, EstimateError
from cohortkit.estimate import Estimate
from tests.agreement.reads import OWN, invented, long


def estimate(lower, upper, name="icc_a_1"):
    return Estimate(name, (lower + upper) / 2, lower, upper, 0.95, "1", "invented")


def test_the_range_of_words_with_scheme_and_source():
    found = in_words(estimate(0.62, 0.93), scheme="koo_li_2016")
    assert (found.lower, found.upper) == ("moderate", "excellent")
    assert str(found) == (
        "moderate to excellent (koo_li_2016: Koo & Li, J Chiropr Med 2016;15:155-163; "
        "95 % interval)"
    )
    assert str(in_words(estimate(0.91, 0.99), scheme="koo_li_2016")).startswith("excellent (koo")


# source: Koo & Li 2016 (< 0.5, 0.5-0.75, 0.75-0.9, > 0.9); Cicchetti 1994 (< .40, .40-.59,
# .60-.74, >= .75); Landis & Koch 1977 (< 0, 0-.20, .21-.40, .41-.60, .61-.80, .81-1)
EDGES = {
    "koo_li_2016": [(0.49, "poor"), (0.5, "moderate"), (0.75, "good"), (0.9, "good"),
                    (0.91, "excellent")],
    "cicchetti_1994": [(0.39, "poor"), (0.4, "fair"), (0.6, "good"), (0.75, "excellent")],
    "landis_koch_1977": [(-0.01, "poor"), (0.0, "slight"), (0.2, "slight"), (0.21, "fair"),
                         (0.4, "fair"), (0.6, "moderate"), (0.8, "substantial"),
                         (0.81, "almost perfect"), (1.0, "almost perfect")],
}  # fmt: skip


@pytest.mark.parametrize("scheme", SCHEMES)
def test_edges_of_the_schemes(scheme):
    for value, word in EDGES[scheme]:
        assert SCHEMES[scheme].word(value) == word


def test_schemes_disagree_on_one_interval():
    same = estimate(0.45, 0.78)
    words = {s: in_words(same, scheme=s) for s in ("koo_li_2016", "cicchetti_1994")}
    assert words["koo_li_2016"].lower == "poor"
    assert words["cicchetti_1994"].lower == "fair"


def test_a_real_result():
    found = icc(long(invented()), **OWN)
    assert in_words(found["icc_a_1"], scheme="koo_li_2016").estimate == "icc_a_1"


def test_there_is_no_default_scheme():
    with pytest.raises(TypeError):
        in_words(estimate(0.5, 0.9))
    with pytest.raises(ArgumentError, match="'landis_koch_1977', 'koo_li_2016' or"):
        in_words(estimate(0.5, 0.9), scheme="rule of thumb")


def test_a_scheme_is_kept_to_what_it_was_made_for():
    with pytest.raises(ArgumentError, match="not made for this coefficient"):
        in_words(estimate(0.5, 0.9), scheme="landis_koch_1977")
    with pytest.raises(ArgumentError, match="not made for this coefficient"):
        in_words(estimate(0.5, 0.9, "gwet_ac"), scheme="landis_koch_1977")
    kappa = estimate(0.5, 0.9, "cohen_kappa")
    assert in_words(kappa, scheme="landis_koch_1977").lower == "moderate"


def test_no_words_without_an_interval():
    bare = Estimate("icc_a_1", 1.0, math.nan, math.nan, math.nan, "1", "invented")
    with pytest.raises(EstimateError, match="whole interval"):
        in_words(bare, scheme="koo_li_2016")
    with pytest.raises(ArgumentError, match="one estimate"):
        in_words(icc(long(invented()), **OWN), scheme="koo_li_2016")
