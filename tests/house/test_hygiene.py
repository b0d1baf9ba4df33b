"""What must not stand in the package, the tests or the history's tree."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

from tests.house.source_files import ROOT, dotted, modules, tree

AGREED_TOP = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "cohortkit", "schemas", "analysis",
    "tests", "synthetic_cohort", "docs", "LICENSE", "CITATION.cff",
}  # fmt: skip
FORBIDDEN_CALLS = {"eval", "exec", "compile", "print", "breakpoint"}
FORBIDDEN_METHODS = {"query", "from_formula", "read_pickle", "to_pickle", "system", "popen"}
FORBIDDEN_IMPORTS = {"pickle", "shelve", "marshal", "dill", "patsy", "formulaic", "yaml"}


def tracked() -> list[Path]:
    """Files that git tracks; in an unpacked source archive, all files."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True
    ).stdout.decode()
    return [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]


def test_top_level_holds_only_the_agreed_names():
    top = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in top if not name.startswith(".")} <= AGREED_TOP


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_no_dangerous_or_lazy_construct(path):
    found = []
    for node in ast.walk(tree(path)):
        where = f"{dotted(path)}:{getattr(node, 'lineno', 0)}"
        if isinstance(node, ast.Assert):
            found.append(f"{where} assert")
        elif isinstance(node, ast.Global):
            found.append(f"{where} global state")
        elif isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names] + [getattr(node, "module", None) or ""]
            found += [f"{where} import {n}" for n in names if n.split(".")[0] in FORBIDDEN_IMPORTS]
        elif isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in FORBIDDEN_CALLS:
                found.append(f"{where} {called.id}()")
            if isinstance(called, ast.Attribute) and called.attr in FORBIDDEN_METHODS:
                found.append(f"{where} .{called.attr}()")
            if any(k.arg == "shell" for k in node.keywords):
                found.append(f"{where} shell=")
    assert found == []


MACHINE_PATH = re.compile(r"(?:^|[^A-Za-z0-9_./])/(?:work|root|home|farm|Users)/\w")
UNFINISHED = re.compile(r"\b(?:TODO|FIXME|XXX|NotImplementedError)\b")
TEXT_ENDINGS = {".py", ".md", ".toml", ".json", ".ipynb", ".cff", ".html", ".j2", ".txt", ".yml"}


def test_no_machine_path_and_nothing_unfinished():
    found = []
    for path in tracked():
        if path.suffix not in TEXT_ENDINGS or path == Path(__file__).resolve():
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            if MACHINE_PATH.search(line) or UNFINISHED.search(line):
                found.append(f"{path.relative_to(ROOT)}:{number} {line.strip()[:90]}")
    assert found == []


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_modules_and_functions_keep_their_size(path):
    too_big = []
    lines = path.read_text(encoding="utf-8").count("\n")
    if lines > 450:
        too_big.append(f"{dotted(path)} has {lines} lines")
    for node in ast.walk(tree(path)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        first = node.body[1] if ast.get_docstring(node) and len(node.body) > 1 else node.body[0]
        body = (node.end_lineno or 0) - first.lineno + 1
        if body > 60:
            too_big.append(f"{dotted(path)}.{node.name} has a body of {body} lines")
    assert too_big == []


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_arguments_are_annotated(path):
    bare = []
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            bare += [
                f"{dotted(path)}.{node.name}({a.arg})"
                for a in arguments
                if a.annotation is None and a.arg not in {"self", "cls"}
            ]
    assert bare == []
