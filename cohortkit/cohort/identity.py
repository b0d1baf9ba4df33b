"""Ids become codes when a release is frozen.

Two modes, named in the manifest:

``random``
    Each new id gets a random code. The code table (CSV) is kept by the site.
    For rules that forbid a code derived from the id, such as Safe Harbor.
``hmac``
    The code is a keyed hash (HMAC-SHA256, RFC 2104) of site, kind and id. Nothing
    but the key has to be kept. Pseudonymised data only: the code is derived.

Either file has mode 0600 and lies outside every release. Neither it nor an id is
ever written to a log or a message. Site codes stay as they are.

Codes are drawn first and kept last: a freeze that is refused in between leaves no
new file and no new code behind.
"""

from __future__ import annotations

import base64
import csv
import hashlib
import hmac
import io
import secrets
import stat
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from cohortkit import checks
from cohortkit.cohort.locking import writer_lock
from cohortkit.cohort.manifest import holds_release
from cohortkit.cohort.writing import atomic_write, refuse_unmakeable
from cohortkit.errors import ReleaseError

CODED: dict[str, str] = {
    "participant_id": "participant",
    "episode_id": "episode",
    "scan_id": "scan",
    "reading_id": "reading",
    "rater_id": "rater",
    "device_id": "device",
}
"""Column to the kind of id that it holds. ``site_id`` is not coded."""

MODES = ("random", "hmac")
CODE_LENGTH = 16  # base32 digits: 80 bits
_CODE_BYTES = 10
_SECRET_BYTES = 32
_SEPARATOR = "\x1f"
_HEADER = ["site_id", "kind", "id", "code"]

Name = tuple[str, str, str]
"""Site, kind and id: what one code stands for."""


@dataclass(frozen=True, repr=False)
class Draw:
    """Codes as drawn, and what the file holds that turns them back, before and after.

    Parameters
    ----------
    codes
        Name to code.
    path
        The code table or the key file.
    before
        Its bytes when the codes were drawn; None if there was none.
    after
        Its bytes with which every code can be traced.
    """

    codes: dict[Name, str]
    path: Path
    before: bytes | None
    after: bytes

    def keep(self, held: Path | None = None) -> None:
        """Write the file, if the codes need more than it holds. Its folder is made too.

        Parameters
        ----------
        held
            A folder whose writer's lock the caller holds.

        Raises
        ------
        ReleaseError
            If another process has changed the file since the codes were drawn.
        """
        if self.after == self.before:
            return
        folder = self.path.parent
        if not folder.is_dir():
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with nullcontext() if held and held.samefile(folder) else writer_lock(folder):
            now = self.path.read_bytes() if self.path.exists() else None
            if now not in (self.before, self.after):
                raise ReleaseError(
                    "The file that turns ids into codes was changed by another process meanwhile",
                    where=str(self.path),
                    next_step="run the command again",
                )
            atomic_write(self.path, self.after, mode=0o600)


@dataclass(frozen=True)
class IdCoding:
    """How ids become codes, and where the site keeps what turns them back.

    Parameters
    ----------
    mode
        ``random`` or ``hmac``.
    path
        The code table or the key file.
    new
        True if the file is to be made with the first codes that are kept.
    """

    mode: str
    path: Path
    new: bool = False

    def __post_init__(self) -> None:
        checks.one_of("mode", self.mode, MODES)

    @classmethod
    def open(cls, mode: str, path: Path | str) -> IdCoding:
        """Use the file at `path`. If there is none, it is made with the first codes kept.

        That is at the end of `codes`, or of a `freeze`: an empty code table grows, or a
        new random key is drawn. Its folder is made too, for this user alone.

        Raises
        ------
        ReleaseError
            If the file can be read by other users, is not what the mode needs, could
            not be made, or would lie in a release.
        """
        coding = cls(mode, Path(path), new=not Path(path).exists())
        refuse_secret_place(coding.path)
        if coding.new:
            refuse_unmakeable(coding.path.parent, "the code table or key")
        elif mode == "random":
            _read_table(coding._content(), coding.path)
        else:
            coding._content()
        return coding

    def codes(self, names: Iterable[Name]) -> dict[Name, str]:
        """The code of each name: 16 base32 digits, the same in every call.

        In mode ``random`` new names get new codes and the table is written
        before this returns, so that each code can always be traced.

        Raises
        ------
        ReleaseError
            As `draw` and `Draw.keep`.
        """
        drawn = self.draw(names)
        drawn.keep()
        return drawn.codes

    def draw(self, names: Iterable[Name]) -> Draw:
        """The code of each name, as `codes` gives it, with nothing written yet.

        Raises
        ------
        ReleaseError
            If two names would share a code, or an id holds a control character.
        """
        wanted = sorted(set(names))
        for name in wanted:
            if any(unicodedata.category(c) == "Cc" for part in name for c in part):
                raise ReleaseError(
                    "An id holds a control character",
                    where=f"site {name[0]!r}, an id of a {name[1]}",
                    next_step="correct the id at the clinic and import again",
                )
        before = None if self.new and not self.path.exists() else self._content()
        after = self._new_file() if before is None else before
        if self.mode == "hmac":
            key = bytes.fromhex(after.decode("ascii").strip())
            found = {name: _code(_digest(key, name)) for name in wanted}
        else:
            found, after = self._looked_up(wanted, after)
        if len(set(found.values())) < len(found):
            raise ReleaseError(
                "Two ids share a code",
                where=f"mode '{self.mode}'",
                next_step="freeze with a new key file or code table",
            )
        return Draw(found, self.path, before, after)

    def _looked_up(self, names: list[Name], table: bytes) -> tuple[dict[Name, str], bytes]:
        """Codes by a code table, and the table with those that it lacked."""
        known = _read_table(table, self.path)
        new = [name for name in names if name not in known]
        taken = set(known.values())
        for name in new:
            known[name] = next(code for code in _random_codes() if code not in taken)
            taken.add(known[name])
        return {name: known[name] for name in names}, _table_bytes(known) if new else table

    def _new_file(self) -> bytes:
        if self.mode == "random":
            return _table_bytes({})
        return secrets.token_hex(_SECRET_BYTES).encode("ascii") + b"\n"

    def _content(self) -> bytes:
        """Bytes of the file, once it is known to be private and of the right kind."""
        if not self.path.is_file():
            raise ReleaseError(
                "The file that turns ids into codes is missing",
                where=str(self.path),
                next_step="give the file used so far, or make one with IdCoding.open",
            )
        content = self.path.read_bytes()
        shared = stat.S_IMODE(self.path.stat().st_mode) & 0o077
        if shared and not self._own_kind(content):
            raise ReleaseError(
                "The file is neither a code table nor a key file, and is left as it is",
                where=str(self.path),
                found="a file of another kind, which other users can read",
                next_step="give the file used so far, or a new path to make one",
            )
        if shared:
            raise ReleaseError(
                "The file that turns ids into codes can be read by other users",
                where=str(self.path),
                next_step=f"run: chmod 600 {self.path}",
            )
        if self.mode == "hmac" and not _is_key(content):
            raise ReleaseError(
                "The key file does not hold a key",
                where=str(self.path),
                found="a code table; --ids random uses it" if _is_table(content) else "",
                next_step="give a file with 64 hexadecimal digits, or a new path to make one",
            )
        return content

    def _own_kind(self, content: bytes) -> bool:
        if self.mode == "hmac":
            return _is_key(content)
        return _is_table(content)


def refuse_secret_place(path: Path, *, folders: Mapping[str, Path] | None = None) -> None:
    """Stop before a code table or key is made where it could be handed on.

    Parameters
    ----------
    path
        Where the file is, or is to be.
    folders
        Further folders that it must not lie in, by what they are to the reader.

    Raises
    ------
    ReleaseError
        If the file would lie in one of `folders` or in a release, at any depth.
    """
    place = path.resolve()
    places = {kind: folder.resolve() for kind, folder in (folders or {}).items()}
    kind = next((k for k, f in places.items() if f == place or f in place.parents), "")
    if not kind and any(holds_release(folder) for folder in place.parents):
        kind = "a release"
    if kind:
        raise ReleaseError(
            f"The code table or key would lie in {kind}",
            where=str(path),
            next_step="keep it in a folder of its own, at the site",
        )


def _is_key(content: bytes) -> bool:
    text = content.strip()
    digits = set(b"0123456789abcdefABCDEF")
    return len(text) == 2 * _SECRET_BYTES and set(text) <= digits


def _is_table(content: bytes) -> bool:
    return content.startswith(_table_bytes({}).rstrip(b"\n"))


def _digest(key: bytes, name: Name) -> bytes:
    message = _SEPARATOR.join(unicodedata.normalize("NFC", part) for part in name)
    return hmac.new(key, message.encode("utf-8"), hashlib.sha256).digest()


def _code(data: bytes) -> str:
    return base64.b32encode(data).decode("ascii")[:CODE_LENGTH]


def _random_codes() -> Iterator[str]:
    while True:
        yield _code(secrets.token_bytes(_CODE_BYTES))


def _table_bytes(known: Mapping[Name, str]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, quoting=csv.QUOTE_ALL, lineterminator="\n")
    writer.writerow(_HEADER)
    writer.writerows([*name, code] for name, code in sorted(known.items()))
    return text.getvalue().encode("utf-8")


def _read_table(content: bytes, path: Path) -> dict[Name, str]:
    try:
        header, *rows = csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True)
        known = {(site, kind, own): code for site, kind, own, code in rows}
    except (UnicodeDecodeError, csv.Error, ValueError):
        header, rows, known = [], [], {}
    if header != _HEADER or len(known) < len(rows) or len(set(known.values())) < len(rows):
        raise ReleaseError(
            "The code table is damaged, or the file is no code table",
            where=str(path),
            found="a key; --ids hmac uses it" if _is_key(content) else "",
            next_step="restore it from the site's copy; a new table would give everybody new codes",
        )
    return known


def id_names(tables: Mapping[str, pd.DataFrame]) -> set[Name]:
    """Every id of the tables, with its kind and the site that its own row belongs to.

    A reading that another site's rater made keeps pointing to that rater.
    """
    homes = _homes(tables)
    return {(site, kind, own) for kind, ids in homes.items() for own, site in ids.items()}


def code_tables(
    tables: Mapping[str, pd.DataFrame], codes: Mapping[Name, str]
) -> tuple[dict[str, pd.DataFrame], dict[str, dict[str, str]]]:
    """Tables with every id replaced by its code, in every column that points to it.

    Parameters
    ----------
    tables
        The ten tables.
    codes
        The code of each of their `id_names`.

    Returns
    -------
    tuple
        The coded tables (same rows, same order), and per kind the code of each id.
    """
    by_kind = {
        kind: {own: codes[(site, kind, own)] for own, site in ids.items()}
        for kind, ids in _homes(tables).items()
    }
    coded = {}
    for name, frame in tables.items():
        columns = {}
        for column in frame.columns:
            values = frame[column]
            if column in CODED:
                values = _replaced(
                    values, by_kind[CODED[column]], f"table '{name}', column '{column}'"
                )
            columns[column] = values
        coded[name] = pd.DataFrame(columns)
    return coded, by_kind


def _replaced(values: pd.Series, codes: Mapping[str, str], where: str) -> pd.Series:
    """Codes in place of ids. An id without a row of its own is refused."""
    present = values.notna()
    coded = values[present].astype(object).map(codes)
    if coded.isna().any():
        raise ReleaseError(
            f"{int(coded.isna().sum())} ids point to no row",
            where=where,
            next_step="pool the clinics again; the pool's rules name the rows",
        )
    result = pd.Series([pd.NA] * len(values), index=values.index, dtype=object)
    result[present] = coded
    return result.astype("string")


def _homes(tables: Mapping[str, pd.DataFrame]) -> dict[str, dict[str, str]]:
    """Per kind, each id and the site that its row belongs to."""

    def pairs(table: str, own: str, other: str) -> dict[str, str]:
        frame = tables[table]
        return dict(zip(frame[own].astype(object), frame[other].astype(object), strict=True))

    def through(table: str, own: str, parent: str, sites: Mapping[str, str]) -> dict[str, str]:
        return {i: sites.get(p, "") for i, p in pairs(table, own, parent).items()}

    participants = pairs("participants", "participant_id", "site_id")
    scans = through("scans", "scan_id", "participant_id", participants)
    return {
        "participant": participants,
        "episode": through("episodes", "episode_id", "participant_id", participants),
        "scan": scans,
        "reading": through("readings", "reading_id", "scan_id", scans),
        "rater": pairs("raters", "rater_id", "site_id"),
        "device": pairs("devices", "device_id", "site_id"),
    }
