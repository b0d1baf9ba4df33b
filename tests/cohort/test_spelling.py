"""The written table of spellings, and what it leaves alone."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortkit.cohort.spelling import SPELLING, looks_like_date, normal


@pytest.mark.parametrize(
    ("raw", "plain"),
    [
        ("  a b  ", "a b"),
        ("\u00a01,5\u202f", "1,5"),
        ("１２．５", "12.5"),
        ("\u22125", "-5"),
        ("a\u200bb\ufeff", "ab"),
        ("Größe", "Größe"),
        ("2\u20133", "2\u20133"),
    ],
)
def test_plain_spelling(raw, plain):
    assert normal(raw) == plain


@given(st.text())
def test_plain_spelling_is_final(text):
    assert normal(normal(text)) == normal(text)


@given(st.text(alphabet=st.characters(exclude_characters="".join(map(chr, SPELLING)))))
def test_nothing_outside_the_table_is_changed(text):
    assert normal(text) == text.strip()


DATES = ["02. Apr", "2-Apr", "Apr-02", "2. Mrz 23", "01.02.2023", "2023-02-01 00:00:00", "1/2/2023"]


@pytest.mark.parametrize("text", DATES)
def test_texts_that_spreadsheets_make_of_labels(text):
    assert looks_like_date(text)


@pytest.mark.parametrize("text", ["A2", "s1", "12", "2.5", "1-2", "1-2-10", "P01-3", "R1", "Jan"])
def test_codes_that_only_look_a_little_like_dates(text):
    assert not looks_like_date(text)


def test_short_dates_count_where_no_code_can_look_like_one():
    assert looks_like_date("1.2.23", short=True)
    assert not looks_like_date("1.2.23")
