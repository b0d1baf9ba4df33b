"""Notebooks are thin callers, committed without outputs."""

from __future__ import annotations

import ast
import json

import pytest

from tests.house.source_files import ROOT

NOTEBOOKS = sorted((ROOT / "analysis").rglob("*.ipynb"))


def code_cells(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return [cell for cell in cells if cell["cell_type"] == "code"]


def test_there_is_a_notebook_per_figure():
    names = {path.stem for path in NOTEBOOKS}
    assert {"table1", "numbers_in_text"} < names
    assert len([name for name in names if name.startswith("fig")]) >= 5


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_is_clean_and_thin(path):
    cells = code_cells(path)
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in cells)
    code = "\n".join("".join(cell["source"]) for cell in cells)
    assert sum(bool(line.strip()) for line in code.splitlines()) <= 40
    defined = [
        n for n in ast.walk(ast.parse(code)) if isinstance(n, ast.FunctionDef | ast.ClassDef)
    ]
    assert defined == []
