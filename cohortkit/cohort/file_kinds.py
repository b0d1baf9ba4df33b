"""What a file is by its first bytes, so that no picture or document is read as a table."""

from __future__ import annotations

import io
import re
import zipfile

_BEGINNINGS: tuple[tuple[bytes, str], ...] = (
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"II*\0", "a picture (TIFF)"),
    (b"MM\0*", "a picture (TIFF)"),
    (b"BM", "a picture (bitmap)"),
    (b"%PDF", "a PDF document"),
    (b"{\\rtf", "a text document (RTF)"),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        "an old workbook (.xls) or one protected by a password",
    ),
    (b"\x1f\x8b", "a packed file (gzip)"),
    (b"7z\xbc\xaf", "a packed file (7z)"),
    (b"Rar!", "a packed file (rar)"),
    (b"SQLite format 3\0", "a database file"),
    (b"PAR1", "a Parquet file"),
)
_MARKUP = re.compile(rb"(?:\xef\xbb\xbf)?\s*<(?:!doctype|\?xml|html|head|body|table|meta)\b", re.I)
_PLAIN_TEXT_BITMAP = re.compile(rb"BM[\t -~]")
_CONTROL = re.compile("[\x00-\x08\x0e-\x1f\x7f]")
_FEW = 5
_SHARE = 0.02

WORKBOOK = "a workbook (.xlsx)"
DAMAGED = "a damaged workbook or packed file"
SAVE_AS_TABLE = (
    "export the table from its program as .csv or .xlsx, or open it in a spreadsheet program and "
    "save it so"
)


def kind_of(data: bytes) -> str:
    """What a file is if it is no delimited text, in words; empty if it may be text."""
    for beginning, kind in _BEGINNINGS:
        if data.startswith(beginning) and not _PLAIN_TEXT_BITMAP.match(data):
            return kind
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _zip_kind(data)
    return "a web page or XML" if _MARKUP.match(data) else ""


def _zip_kind(data: bytes) -> str:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = set(archive.namelist())
    except (zipfile.BadZipFile, OSError, ValueError, RuntimeError):
        return DAMAGED
    if "xl/workbook.bin" in names:
        return "a binary workbook (.xlsb)"
    if any(name.startswith("xl/") for name in names):
        return WORKBOOK
    if any(name.startswith("word/") for name in names):
        return "a text document (.docx)"
    return "an OpenDocument file" if "content.xml" in names else "a packed file (zip)"


def holds_no_text(text: str) -> bool:
    """Whether decoded text has so many control characters that it cannot be a table."""
    found = len(_CONTROL.findall(text))
    return found > _FEW and found > _SHARE * len(text)
