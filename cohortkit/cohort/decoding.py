"""From a path in a mapping to bytes, and from bytes to text in the declared encoding."""

from __future__ import annotations

import codecs
import os
import re
import stat
import unicodedata
from pathlib import Path, PurePosixPath

from cohortkit.errors import SourceError

MAX_FILE_BYTES = 100_000_000
"""Largest clinic file that is read."""

_WIDE = {"utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le", "utf-32-be"}
_ENCODINGS = {
    *("ascii", "utf-8", "utf-8-sig", "mac-roman", "mac-latin2", "koi8-r", "koi8-u"),
    *(f"cp{n}" for n in (437, 850, 852, 858, 862, 866, 874, 932, 949, 950, 1006)),
    *(f"cp{n}" for n in range(1250, 1259)),
    *(f"iso8859-{n}" for n in (*range(1, 12), 13, 14, 15, 16)),
    *("shift_jis", "euc_jp", "euc_kr", "gb18030", "gbk", "gb2312", "big5"),
    *_WIDE,
}
_DRIVE = re.compile(r"^[A-Za-z]:")


def known_encoding(name: str) -> str | None:
    """The usual name of a text encoding, or None if it is not taken."""
    try:
        found = codecs.lookup(name).name
    except LookupError:
        return None
    return found if found in _ENCODINGS else None


def path_fault(name: str) -> str:
    """Why a file name in a mapping is not taken; empty if it is."""
    plain = unicodedata.normalize("NFKC", name)
    if any(unicodedata.category(c) in ("Cc", "Cf") for c in name):
        return "it holds a control character"
    if "\\" in plain or _DRIVE.match(plain):
        return "it is written with a drive letter or backslashes"
    if plain.startswith("/") or plain.startswith("~"):
        return "it is not relative to the mapping file"
    parts = plain.split("/")
    if any(part.strip(" .") == "" for part in parts):
        return "it leaves its folder or has an empty part"
    if ":" in plain:
        return "it holds a colon"
    return ""


def _refused(name: str, folder: Path, found: str) -> SourceError:
    return SourceError(
        "A file named in the mapping is not read",
        where=f"file '{name}'",
        found=found,
        next_step=f"put the file into the folder of the mapping file ({folder.name}) and name it "
        "by its path from there",
    )


def read_inside(folder: Path, name: str) -> bytes:
    """The bytes of a regular file inside `folder`, reached without any link.

    Raises
    ------
    SourceError
        If the name is absolute or leaves the folder, a part of the path is a
        link, the file is absent, no regular file, or larger than the limit.
    """
    fault = path_fault(name)
    if fault:
        raise _refused(name, folder, fault)
    place = folder
    try:
        for part in PurePosixPath(name).parts:
            place = place / part
            if place.is_symlink():
                raise _refused(name, folder, f"'{part}' is a link")
        inside = place.resolve().is_relative_to(folder.resolve())
    except OSError as error:
        raise _unopened(name, error) from error
    if not inside:
        raise _refused(name, folder, "it leaves its folder")
    return read_regular_file(place, name)


def _unopened(shown: str, error: Exception) -> SourceError:
    return SourceError(
        "A clinic's file cannot be opened",
        where=f"file '{shown}'",
        found=getattr(error, "strerror", None) or str(error),
        next_step="check its name in the mapping and that it may be read",
    )


def read_regular_file(path: Path, shown: str) -> bytes:
    """The bytes of a regular file of bearable size that is not a link.

    Raises
    ------
    SourceError
        If there is none, or it cannot be read.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        raise _unopened(shown, error) from error
    try:
        about = os.fstat(handle)
        if not stat.S_ISREG(about.st_mode):
            raise _refused(shown, path.parent, "it is not an ordinary file")
        if about.st_size > MAX_FILE_BYTES:
            raise SourceError(
                f"A clinic's file is larger than {MAX_FILE_BYTES // 1_000_000} MB",
                where=f"file '{shown}'",
                found=f"{about.st_size} bytes",
                next_step="export only the columns that are needed, or split the file",
            )
        with os.fdopen(handle, "rb", closefd=False) as stream:
            return stream.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise _unopened(shown, error) from error
    finally:
        os.close(handle)


def decode(data: bytes, encoding: str, file: str) -> str:
    """Text of a file in its declared encoding; a byte-order mark is left out.

    A byte that does not exist in the encoding is kept as a lone surrogate, so
    that the one record it stands in can be refused. Line ends become line
    feeds; a carriage return without a line feed stays.

    Raises
    ------
    SourceError
        If the encoding has two or more bytes for every character and the bytes
        do not fit it, or the file has no line feed but carriage returns.
    """
    name = known_encoding(encoding) or encoding
    wide = name in _WIDE
    try:
        text = data.decode(
            "utf-8-sig" if name == "utf-8" else name, "strict" if wide else "surrogateescape"
        )
    except (UnicodeDecodeError, LookupError) as error:
        raise SourceError(
            f"The file is not text in the declared encoding {encoding}",
            where=f"file '{file}'",
            found=str(error),
            next_step="declare the encoding it was saved in; draft-mapping proposes one",
        ) from error
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    if "\r" in text and "\n" not in text:
        raise SourceError(
            "The lines of the file end with bare carriage returns",
            where=f"file '{file}'",
            next_step="save it again with ordinary line ends",
        )
    return text
