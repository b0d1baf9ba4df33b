"""Archives built to fill the memory, and XML built to reach elsewhere, are refused unread."""

from __future__ import annotations

import io
import time
import tracemalloc
import zipfile

import pytest
from openpyxl import Workbook

from cohortkit.cohort import workbook_archive
from cohortkit.cohort.sheets import open_book
from cohortkit.errors import SourceError


def saved(book: Workbook) -> bytes:
    data = io.BytesIO()
    book.save(data)
    return data.getvalue()


def small_book() -> Workbook:
    book = Workbook()
    book.active.title = "A"
    book.active.append(["a", "b"])
    book.active.append([1, 2])
    return book


def with_entry(name: str, content: bytes, data: bytes | None = None) -> bytes:
    """A workbook with one part exchanged or added."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data or saved(small_book()))) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.namelist():
            if entry != name:
                new.writestr(entry, old.read(entry))
        new.writestr(name, content)
    return out.getvalue()


def refused(data: bytes, match: str) -> None:
    """Refused soon, and without unpacking it."""
    start = time.monotonic()
    tracemalloc.start()
    try:
        with pytest.raises(SourceError, match=match):
            open_book(data, "f.xlsx")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # source: the bars of the test plan, 2 s and 300 MB, with room for a slow machine
    assert time.monotonic() - start < 20
    assert peak < 300e6


def test_archive_packed_too_well():
    refused(with_entry("xl/media/a.bin", b"\0" * 30_000_000), "packed more than 100 to 1")


def test_archive_too_large_when_unpacked(monkeypatch):
    monkeypatch.setattr(workbook_archive, "MAX_UNPACKED_BYTES", 100_000)
    refused(with_entry("xl/media/a.bin", bytes(range(256)) * 1_000), "bytes when unpacked")


def test_archive_inside_an_archive_stays_closed():
    inner = with_entry("x", b"\0" * 1_000_000)
    open_book(with_entry("xl/embeddings/a.xlsx", inner), "f.xlsx")


def test_sheet_of_too_many_cells(monkeypatch):
    monkeypatch.setattr(workbook_archive, "MAX_SHEET_CELLS", 1_000)
    book = small_book()
    for _ in range(400):
        book.active.append([1, 2, 3])
    refused(saved(book), "more than 1000 cells")


def test_cells_are_counted_across_pieces():
    rows = b"".join(b'<row><c r="A%d"><v>1</v></c><x:c/></row>' % n for n in range(60_000))
    with zipfile.ZipFile(io.BytesIO(with_entry("xl/worksheets/b.xml", rows))) as archive:
        assert workbook_archive._count_cells(archive, "xl/worksheets/b.xml") == 120_000


ENTITIES = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">
<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>
<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>&c;</t></si></sst>"""
FOREIGN = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>
<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>&a;</t></si></sst>"""


@pytest.mark.parametrize("content", [ENTITIES, FOREIGN], ids=["bomb", "outside file"])
@pytest.mark.parametrize(
    "part", ["xl/sharedStrings.xml", "xl/worksheets/sheet1.xml", "xl/workbook.xml"]
)
def test_xml_entities_are_refused(content, part):
    refused(with_entry(part, content), "declares entities")


@pytest.mark.parametrize("encoding", ["utf-16", "cp037", "utf-7"])
def test_xml_in_another_encoding_cannot_hide_entities(encoding):
    text = ENTITIES.decode().replace("?>", f' encoding="{encoding}"?>', 1)
    head, _, rest = text.partition("\n")
    content = (
        text.encode("utf-16") if encoding == "utf-16" else head.encode() + rest.encode(encoding)
    )
    refused(with_entry("xl/sharedStrings.xml", content), "is not in UTF-8|declares entities")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"PK\x03\x04",
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        b"a;b\n1;2\n",
        saved(small_book())[:3000],
        with_entry("xl/worksheets/sheet1.xml", b"<not closed"),
    ],
    ids=["empty", "stub", "old format", "csv", "cut off", "broken sheet"],
)
def test_what_is_no_workbook(data):
    refused(data, "cannot be read")
