"""The Python blocks of README and docs run, and print what stands below them."""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import stat
from pathlib import Path

import pytest

from cohortkit.cli import main
from tests.house.source_files import ROOT

PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", flags=re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\((?!https?://|mailto:|#)([^)#\s]+)")


def blocks(page: Path) -> list[tuple[str, str]]:
    return BLOCK.findall(page.read_text(encoding="utf-8"))


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_python_blocks_print_what_they_say(page: Path, demo: Path, monkeypatch):
    found = blocks(page)
    if not any(language == "python" for language, _ in found):
        pytest.skip("no Python block on this page")
    monkeypatch.chdir(demo.parent)
    space: dict[str, object] = {"__name__": "__prose__"}
    for index, (language, code) in enumerate(found):
        if language != "python":
            continue
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(code, f"{page.name} block {index}", "exec"), space)  # noqa: S102
        follows = found[index + 1] if index + 1 < len(found) else ("", "")
        if follows[0] == "text":
            assert printed.getvalue().strip() == follows[1].strip()


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_cohortkit_commands_run(page: Path, demo: Path, monkeypatch, capsys):
    commands = [
        line
        for language, code in blocks(page)
        if language == "sh"
        for line in code.replace("\\\n", " ").splitlines()
        if line.startswith("cohortkit ")
    ]
    if not commands:
        pytest.skip("no cohortkit command on this page")
    monkeypatch.chdir(demo.parent)
    for command in commands:
        with pytest.raises(SystemExit) as left:
            main(shlex.split(command, comments=True)[1:])
        printed = capsys.readouterr()
        assert not left.value.code, f"{command}\n{printed.err}"


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_inside_the_repository_lead_somewhere(page: Path):
    targets = LINK.findall(page.read_text(encoding="utf-8"))
    lost = [t for t in targets if not (page.parent / t).exists()]
    assert lost == []


def test_the_demo_keeps_its_key_as_the_investigators_page_says(demo: Path):
    held = demo / "site_held"
    assert "`demo/site_held`" in (ROOT / "docs/investigator.md").read_text(encoding="utf-8")
    assert [path.name for path in held.iterdir() if path.suffix] == ["invented_hmac_key.txt"]
    assert stat.S_IMODE(held.stat().st_mode) == 0o700
    assert list(demo.glob("*key*")) == []


def test_readme_opens_with_the_job_and_stays_short():
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# ")
    assert len(lines) <= 130
    assert os.linesep == "\n"
