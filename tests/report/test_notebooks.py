import importlib

import nbformat
import pytest

from cohortkit.errors import ArgumentError, CohortkitError, MissingPackageError, ReleaseError
from cohortkit.report import notebooks


def test_only_shipped_notebooks_are_run(release, tmp_path):
    with pytest.raises(ArgumentError, match="fig1_flow"):
        notebooks.run_notebooks(release.path, tmp_path, names=["../evil"])
    assert list(tmp_path.iterdir()) == []


def test_without_the_extra_the_message_says_how_to_get_it(monkeypatch, tmp_path):
    def absent(name):
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", absent)
    with pytest.raises(MissingPackageError, match=r"cohortkit\[notebooks\]"):
        notebooks.run_notebooks("release", tmp_path)


def test_an_error_in_a_notebook_is_told_like_any_other(tmp_path):
    place = tmp_path / "no release"
    with pytest.raises(ReleaseError) as caught:
        notebooks.run_notebooks(place, tmp_path / "out", names=["table1"])
    assert str(caught.value) == (
        f"There is no release. Where: notebook table1.ipynb, {place}. Found: nothing. "
        "Next: give the folder that 'cohortkit freeze' wrote."
    )
    assert type(caught.value) is ReleaseError


def test_an_error_that_is_none_of_ours_is_quoted(tmp_path, monkeypatch):
    path = tmp_path / "odd.ipynb"
    cell = nbformat.v4.new_code_cell("1 / 0")
    nbformat.write(nbformat.v4.new_notebook(cells=[cell]), path)
    monkeypatch.setattr(notebooks, "shipped_notebooks", lambda: {"odd": path})
    with pytest.raises(CohortkitError) as caught:
        notebooks.run_notebooks(tmp_path, tmp_path / "out")
    assert str(caught.value) == (
        "A notebook stopped with an error. Where: notebook odd.ipynb. "
        "Found: ZeroDivisionError: division by zero. "
        "Next: open the notebook on the same release and run it cell by cell."
    )
