"""What a file is by its first bytes."""

from __future__ import annotations

import io
import zipfile

import pytest

from cohortkit.cohort.file_kinds import DAMAGED, WORKBOOK, holds_no_text, kind_of


def packed(*names: str) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for name in names:
            archive.writestr(zipfile.ZipInfo(name), "x")  # of 1980: test ids hold the bytes
    return held.getvalue()


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (packed("xl/workbook.xml"), WORKBOOK),
        (packed("xl/workbook.bin"), "a binary workbook (.xlsb)"),
        (packed("word/document.xml"), "a text document (.docx)"),
        (packed("content.xml"), "an OpenDocument file"),
        (packed("a.csv"), "a packed file (zip)"),
        (packed("a.csv")[:20], DAMAGED),
        (b"%PDF-1.4", "a PDF document"),
        (b"<?xml version='1.0'?>", "a web page or XML"),
    ],
)
def test_kinds(data, kind):
    assert kind_of(data) == kind


@pytest.mark.parametrize(
    "data",
    [b"", b"a;b\n", b"BMI;a\n", b"\xef\xbb\xbfa;b", "a;b".encode("utf-16"), b"<0.3;1\n", b"PK;1"],
)
def test_text_is_no_kind(data):
    assert kind_of(data) == ""


def test_a_stray_control_character_leaves_a_text_a_text():
    assert not holds_no_text("a;b\n1\x00;2\n" * 1)
    assert holds_no_text("".join(map(chr, range(256))))
