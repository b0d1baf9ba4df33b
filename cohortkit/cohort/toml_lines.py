"""On which line of a TOML file a key stands; the standard reader does not say."""

from __future__ import annotations

import re

from cohortkit.cohort.mapping_parts import KeyPath

_PART = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"
_HEADER = re.compile(rf"\s*(\[\[?)\s*({_DOTTED})\s*\]\]?")
_KEY = re.compile(rf"\s*({_DOTTED})\s*=")
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')


def _names(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_PART, dotted))


def _depth(text: str) -> int:
    """Brackets left open, those in strings and comments not counted."""
    bare = _STRING.sub("", text).partition("#")[0]
    return bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")


class _Scan:
    def __init__(self) -> None:
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}
        self.table: KeyPath = ()

    def _resolved(self, names: tuple[str, ...]) -> KeyPath:
        path: KeyPath = ()
        for name in names:
            path = (*path, name)
            if path in self.counts:
                path = (*path, self.counts[path])
        return path

    def header(self, brackets: str, names: tuple[str, ...], line: int) -> None:
        if brackets == "[[":
            array = (*self._resolved(names[:-1]), names[-1])
            self.counts[array] = self.counts.get(array, -1) + 1
            self.lines.setdefault(array, line)
        self.table = self._resolved(names)
        self.lines[self.table] = line

    def key(self, names: tuple[str, ...], line: int) -> None:
        for length in range(1, len(names) + 1):
            self.lines.setdefault((*self.table, *names[:length]), line)


def key_lines(text: str) -> dict[KeyPath, int]:
    """Key path, such as ``("tables", 0, "columns", "gap_mm")``, to its line from 1.

    Keys inside one-line inline tables have no entry of their own. Text in
    several-line strings is passed over.
    """
    scan = _Scan()
    open_brackets = 0
    open_string = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if open_string:
            if open_string in line:
                open_string = ""
            continue
        if open_brackets > 0:
            open_brackets += _depth(line)
            continue
        if found := _HEADER.match(line):
            scan.header(found[1], _names(found[2]), number)
        elif found := _KEY.match(line):
            scan.key(_names(found[1]), number)
            value = line[found.end() :]
            open_brackets = _depth(value)
            for marks in ('"""', "'''"):
                if value.count(marks) == 1:
                    open_string, open_brackets = marks, 0
    return scan.lines


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int | None:
    """Line of the key, or of the nearest key above it; None for the whole file."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def shown(path: KeyPath) -> str:
    """A key path as it stands in the file: ``[[tables]] no. 1, columns.gap_mm``.

    Blocks of the same heading are counted from 1. The file as a whole is its top level.
    """
    if not path:
        return "top level, above the first heading in [brackets]"
    texts: list[str] = []
    heading: list[str] = []
    own: list[str] = []
    for part in path:
        if isinstance(part, str):
            heading.append(part)
            own.append(part)
        elif heading[-1] in ("tables", "variants") or heading[0] == "rows":
            texts.append(f"[[{'.'.join(heading)}]] no. {part + 1}")
            own = []
        else:
            own[-1] += f" (entry {part + 1})"
    return ", ".join([*texts, ".".join(own)] if own else texts)
