"""From a path in a mapping to bytes, and from bytes to text in the declared encoding."""

from __future__ import annotations

import codecs
import errno
import os
import re
import stat
import unicodedata
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from cohortkit.errors import CohortkitError, SourceError

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
_UNDECODED = re.compile("[\x00\udc80-\udcff]")
_UNOPENED = {
    errno.ENOENT: "there is no such file",
    errno.EACCES: "you are not allowed to read it",
    errno.EPERM: "you are not allowed to read it",
    errno.ELOOP: "it is a link",
    errno.ENOTDIR: "a part of its path is a file, not a folder",
    errno.ENAMETOOLONG: "its name is too long",
}


@dataclass(frozen=True)
class Opening:
    """How to speak of a file that cannot be opened: its name for a reader, and what to do."""

    what: str
    next_step: str
    error: type[CohortkitError] = SourceError


CLINIC_FILE = Opening(
    "A clinic's file", "check 'file' in the mapping, and that the file lies there and may be read"
)


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


def _unopened(shown: str, error: Exception, opening: Opening = CLINIC_FILE) -> CohortkitError:
    number = getattr(error, "errno", None)
    told = _UNOPENED.get(number) if number else None
    return opening.error(
        f"{opening.what} cannot be opened",
        where=f"file '{shown}'",
        found=told or getattr(error, "strerror", None) or str(error),
        next_step=opening.next_step,
    )


def read_regular_file(path: Path, shown: str, opening: Opening = CLINIC_FILE) -> bytes:
    """The bytes of a regular file of bearable size that is not a link.

    Raises
    ------
    CohortkitError
        Of the class that `opening` names, if there is none, or it cannot be read.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        raise _unopened(shown, error, opening) from error
    try:
        about = os.fstat(handle)
        if not stat.S_ISREG(about.st_mode):
            folder = stat.S_ISDIR(about.st_mode)
            found = "it is a folder" if folder else "it is not an ordinary file"
            raise _unopened(shown, ValueError(found), opening)
        if about.st_size > MAX_FILE_BYTES:
            raise opening.error(
                f"{opening.what} is larger than {MAX_FILE_BYTES // 1_000_000} MB",
                where=f"file '{shown}'",
                found=f"{about.st_size} bytes",
                next_step="export only the columns that are needed, or split the file",
            )
        with os.fdopen(handle, "rb", closefd=False) as stream:
            return stream.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise _unopened(shown, error, opening) from error
    finally:
        os.close(handle)


def wrong_encoding(encoding: str, file: str, where: str, byte: int, source: str) -> SourceError:
    """The error for a byte that the declared encoding does not have, and how to find the right one."""
    key = f"'encoding' under [sources.{source}] in the mapping" if source else "'encoding'"
    return SourceError(
        f"The file is not text in the declared encoding '{encoding}'",
        where=f"file '{file}', {where}",
        found=f"byte 0x{byte:02X}, which no text in '{encoding}' has there",
        next_step=f"change {key} to the encoding the file was saved in; "
        f"'cohortkit draft-mapping {file}' shows a guess",
    )


def check_line(text: str, line: int, *, encoding: str, file: str, source: str) -> None:
    """Stop if a line on which everything rests, such as the header, holds an undecoded byte
    or a NUL, as UTF-16 read as something else does.

    Raises
    ------
    SourceError
        Names line, character, byte, and how many lines more hold such bytes.
    """
    lines = text.split("\n")
    found = _UNDECODED.search(lines[line - 1]) if line <= len(lines) else None
    if not found:
        return
    others = sum(bool(_UNDECODED.search(other)) for other in lines) - 1
    where = f"line {line} (the header), character {found.start() + 1}"
    more = f"; and in {others} lines more" if others else ""
    raise wrong_encoding(encoding, file, where + more, ord(found[0]) & 0xFF, source)


def decode(data: bytes, encoding: str, file: str, source: str = "") -> str:
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
    except UnicodeDecodeError as error:
        at = getattr(error, "start", 0)
        line = data[:at].decode(name, "ignore").count("\n") + 1
        where = f"line {line}, byte {at + 1} of the file"
        raise wrong_encoding(encoding, file, where, data[at], source) from error
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    if "\r" in text and "\n" not in text:
        raise SourceError(
            "The lines of the file end with bare carriage returns",
            where=f"file '{file}'",
            next_step="open it in a text editor or spreadsheet program and save it again with "
            "ordinary line ends",
        )
    return text
