"""Every reason reads as a sentence with a next step."""

from __future__ import annotations

import re
from collections import defaultdict

import pytest

from cohortkit.cohort.reasons import REASONS, printable, storable, words


@pytest.mark.parametrize("code", REASONS)
def test_each_code_has_a_reason_and_a_next_step(code):
    facts = defaultdict(lambda: "X")
    for text in REASONS[code]:
        facts |= dict.fromkeys(re.findall(r"{(\w+)}", text), "X")
    reason, step = words(code, **facts)
    assert reason[0].isupper() or reason[0] in "'X"
    assert "{" not in reason + step
    assert step
    assert not reason.endswith(".")
    assert re.fullmatch(r"[a-z_]+", code)


def test_facts_with_braces_stay_texts():
    assert "{0.__class__}" in words("required_missing", field="{0.__class__}")[0]


def test_unseen_characters_are_spelled_out():
    assert printable("a\u00a0b\x00\udcff\u202e") == r"a\xa0b\x00\xff\u202e"
    assert printable("größe\n\t日") == "größe\n\t日"


def test_stored_text_fits_utf_8_and_keeps_the_rest():
    assert storable("a\u00a0b\x00\udcff") == "a\u00a0b\\x00\\xff"
    storable("\udcff\ud83d".replace("\ud83d", "")).encode("utf-8")
