"""What the house tests walk over: the project's own files and syntax trees."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "cohortkit"


def modules() -> list[Path]:
    """Every Python file of the package."""
    return sorted(PACKAGE.rglob("*.py"))


@cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of a file."""
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def room(path: Path) -> str:
    """The room a module stands in: its folder, or its own name at the top."""
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def dotted(path: Path) -> str:
    """The dotted name of a module."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def own_imports(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and dotted name of each import of the package itself below `node`."""
    for item in ast.walk(node):
        if isinstance(item, ast.Import):
            for alias in item.names:
                if alias.name.split(".")[0] == "cohortkit":
                    yield item.lineno, alias.name
        elif isinstance(item, ast.ImportFrom):
            base = item.module or ""
            if item.level or base.split(".")[0] == "cohortkit":
                for alias in item.names:
                    yield item.lineno, f"{base}.{alias.name}"


def floors() -> dict[str, int]:
    """Room to floor, as the table in DEVELOPERS.md says."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table: dict[str, int] = {}
    for floor, rooms in re.findall(r"^\| (\d) \| ([a-z_, ]+) \|", text, flags=re.MULTILINE):
        table |= {name.strip(): int(floor) for name in rooms.split(",")}
    return table
