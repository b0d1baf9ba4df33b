"""The shipped notebooks write what the package writes without a kernel."""

from __future__ import annotations

import json

import pytest

from cohortkit.cohort.release import open_release
from cohortkit.report.answers import draw_all, read_plan
from cohortkit.report.notebooks import run_notebooks, shipped_notebooks


@pytest.fixture(scope="module")
def both_ways(demo, tmp_path_factory):
    folder = tmp_path_factory.mktemp("ways")
    said: list[str] = []
    before = {name: path.read_bytes() for name, path in shipped_notebooks().items()}
    files = run_notebooks(demo / "release", folder / "kernel", progress=said.append)
    assert before == {name: path.read_bytes() for name, path in shipped_notebooks().items()}
    draw_all(open_release(demo / "release"), read_plan(), folder / "direct")
    return folder, files, said


def test_each_notebook_is_announced(both_ways):
    _, _, said = both_ways
    assert len(said) == len(shipped_notebooks())
    assert "1 of" in said[0]


def test_both_ways_write_the_same_files_byte_for_byte(both_ways):
    folder, files, _ = both_ways
    direct = {path.name: path for path in (folder / "direct").iterdir()}
    kernel = {path.name: path for path in files}
    assert set(kernel) == set(direct)
    different = [n for n, path in kernel.items() if path.read_bytes() != direct[n].read_bytes()]
    assert different == []


def test_each_figure_is_filed_under_its_notebooks_name(both_ways):
    _, files, _ = both_ways
    assert {path.stem for path in files} == set(shipped_notebooks())


def test_the_stamp_names_release_and_plan(both_ways, demo):
    folder, _, _ = both_ways
    stamp = json.loads((folder / "kernel" / "fig2_agreement.json").read_text(encoding="utf-8"))
    assert stamp["release_hash"] == open_release(demo / "release").release_hash
    assert stamp["plan_sha256"] == read_plan().sha256
