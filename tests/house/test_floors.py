"""Imports go down only, as the table in DEVELOPERS.md says."""

from __future__ import annotations

import ast

import pytest

from tests.house.source_files import dotted, floors, modules, own_imports, room, tree

LOADS_BY_NAME = {"__init__", "__main__"}


def rooms_imported(name: str) -> str:
    parts = name.split(".")
    return parts[1] if len(parts) > 1 else "__init__"


def test_the_table_names_every_room():
    named = set(floors())
    found = {room(path) for path in modules()} - LOADS_BY_NAME
    assert found == named


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_imports_go_down(path):
    here = room(path)
    if here in LOADS_BY_NAME:
        pytest.skip("holds the public names, no logic")
    table = floors()
    broken = []
    for line, name in own_imports(tree(path)):
        there = rooms_imported(name)
        if there in {here, "__version__"}:
            continue
        same_floor_words = table[here] == 0 and table[there] == 0
        if table[there] >= table[here] and not same_floor_words:
            broken.append(f"{dotted(path)}:{line} imports {name}")
    assert broken == []


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_no_own_import_inside_a_function(path):
    inside = [
        f"{dotted(path)}:{line} {name}"
        for node in ast.walk(tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for line, name in own_imports(node)
    ]
    assert inside == []


def module_graph() -> dict[str, set[str]]:
    names = {dotted(path) for path in modules()}
    graph: dict[str, set[str]] = {}
    for path in modules():
        targets = set()
        for _, name in own_imports(tree(path)):
            target = name if name in names else name.rpartition(".")[0]
            if target in names and target != dotted(path):
                targets.add(target)
        graph[dotted(path)] = targets
    return graph


def test_no_import_ring():
    graph = module_graph()
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> list[str]:
        if name in trail:
            return [*trail[trail.index(name) :], name]
        if name in done:
            return []
        for target in sorted(graph[name]):
            ring = visit(target, (*trail, name))
            if ring:
                return ring
        done.add(name)
        return []

    rings = [ring for name in sorted(graph) if (ring := visit(name, ()))]
    assert rings == []
