"""Every expected number has an origin beside it."""

from __future__ import annotations

import ast
import json
import math
import re
from pathlib import Path

import pytest

from tests.house.source_files import ROOT

TESTS = sorted((ROOT / "tests").rglob("test_*.py"))
ORACLES = sorted((ROOT / "tests" / "oracles").glob("*.json"))
ORIGIN = re.compile(
    r"source:|by hand|planted truth|common practice, no source|from memory|check values", re.I
)
NEAR = 4  # lines above a number in which its origin may stand
TOLERANCES = {"abs", "rel", "atol", "rtol", "tolerance", "tol"}


def looks_computed(value: object) -> bool:
    """Whether a literal has so many digits that somebody must have computed it."""
    if not isinstance(value, float) or not math.isfinite(value):
        return False
    digits = f"{abs(value):.12g}".split("e")[0].replace(".", "").lstrip("0")
    return len(digits) >= 4


def numbers_in_assertions(module: ast.Module) -> list[tuple[int, float]]:
    """Long decimals below an ``assert`` or an ``approx``, tolerances left out."""
    found = []
    for node in ast.walk(module):
        if not isinstance(node, ast.Assert):
            continue
        skipped = {
            id(inner)
            for call in ast.walk(node)
            if isinstance(call, ast.Call)
            for keyword in call.keywords
            if keyword.arg in TOLERANCES
            for inner in ast.walk(keyword.value)
        }
        found += [
            (item.lineno, item.value)
            for item in ast.walk(node)
            if isinstance(item, ast.Constant)
            and id(item) not in skipped
            and looks_computed(item.value)
        ]
    return found


@pytest.mark.parametrize("path", TESTS, ids=lambda p: str(p.relative_to(ROOT)))
def test_expected_numbers_name_their_origin(path: Path):
    lines = path.read_text(encoding="utf-8").splitlines()
    without = []
    for line, value in numbers_in_assertions(ast.parse("\n".join(lines))):
        nearby = "\n".join(lines[max(0, line - 1 - NEAR) : line])
        if not ORIGIN.search(nearby):
            without.append(f"{path.name}:{line} {value}")
    assert without == []


@pytest.mark.parametrize("path", ORACLES, ids=lambda p: p.name)
def test_oracle_files_name_their_origin(path: Path):
    oracle = json.loads(path.read_text(encoding="utf-8"))
    for key in ("origin", "expected"):
        assert oracle.get(key), f"{path.name} has no '{key}'"


def test_the_check_would_find_a_number_without_origin():
    module = ast.parse("assert f(x) == approx(0.28976, abs=1e-5)\n")
    # by hand: the literal above is the one number in that line that is no tolerance
    assert numbers_in_assertions(module) == [(1, 0.28976)]
