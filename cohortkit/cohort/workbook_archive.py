"""A workbook's archive, looked at before any of it is unpacked or parsed."""

from __future__ import annotations

import io
import re
import zipfile
import zlib

from cohortkit.errors import SourceError

MAX_UNPACKED_BYTES = 200_000_000
MAX_RATIO = 100
MAX_SHEET_CELLS = 2_000_000
_SMALL_ENTRY = 100_000
_CELL_TAG = re.compile(rb"<(?:\w+:)?c[\s>/]")
_XML_ENCODING = re.compile(rb"(?:\xef\xbb\xbf)?\s*<\?xml[^>]*encoding\s*=\s*[\"']([^\"']*)")
_DAMAGED = (zipfile.BadZipFile, zlib.error, OSError, EOFError, RuntimeError, ValueError)


def unreadable(file: str, found: str, next_step: str) -> SourceError:
    """The error for a workbook that is not read, and why."""
    return SourceError(
        "The workbook cannot be read",
        where=f"file '{file}'",
        found=found,
        next_step=next_step,
    )


def _count_cells(archive: zipfile.ZipFile, name: str) -> int:
    count, tail = 0, b""
    with archive.open(name) as stream:
        while piece := stream.read(1 << 20):
            piece = tail + piece
            count += len(_CELL_TAG.findall(piece))
            tail = piece[piece.rfind(b"<") :] if b"<" in piece[-200:] else b""
            count -= len(_CELL_TAG.findall(tail))
            if count > MAX_SHEET_CELLS:
                return count
    return count


def _markup_fault(archive: zipfile.ZipFile, name: str) -> str:
    """Why a part's XML is not given to a parser: it declares entities, or is not UTF-8."""
    tail = b""
    with archive.open(name) as stream:
        head = stream.read(1 << 20)
        encoding = _XML_ENCODING.match(head)
        if head[:2] in (b"\xfe\xff", b"\xff\xfe") or b"\0" in head[:4]:
            return "is not in UTF-8"
        if encoding and encoding[1].lower() not in (b"utf-8", b"us-ascii", b"ascii"):
            return "is not in UTF-8"
        piece = head
        while piece:
            if b"<!DOCTYPE" in tail + piece or b"<!ENTITY" in tail + piece:
                return "declares entities"
            tail, piece = piece[-10:], stream.read(1 << 20)
    return ""


def check_archive(data: bytes, file: str) -> None:
    """Refuse a workbook that would fill the memory, before any of it is unpacked.

    Raises
    ------
    SourceError
        If it is no zip archive, holds more than 200 MB, an entry packed more
        than 100 to 1, more than 2 million cells, or XML that declares entities.
    """
    save_again = "save the table as a plain xlsx workbook, or as csv"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            unpacked = sum(e.file_size for e in entries)
            if unpacked > MAX_UNPACKED_BYTES:
                raise unreadable(file, f"{unpacked} bytes when unpacked", save_again)
            for entry in entries:
                packed_too_well = entry.file_size > MAX_RATIO * max(entry.compress_size, 1)
                if packed_too_well and entry.file_size > _SMALL_ENTRY:
                    found = f"'{entry.filename}' is packed more than {MAX_RATIO} to 1"
                    raise unreadable(file, found, save_again)
            for entry in entries:
                markup = entry.filename.endswith((".xml", ".rels"))
                fault = _markup_fault(archive, entry.filename) if markup else ""
                if fault:
                    raise unreadable(file, f"'{entry.filename}' {fault}", save_again)
            sheets = [e.filename for e in entries if e.filename.startswith("xl/worksheets/")]
            cells = sum(_count_cells(archive, name) for name in sheets)
            if cells > MAX_SHEET_CELLS:
                found = f"more than {MAX_SHEET_CELLS} cells"
                raise unreadable(file, found, save_again)
    except _DAMAGED as error:
        raise unreadable(file, str(error), save_again) from error
