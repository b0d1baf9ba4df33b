import importlib

import pytest

from cohortkit.errors import ArgumentError, CohortkitError, MissingPackageError
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


def test_a_failing_notebook_is_named_with_its_error(tmp_path):
    with pytest.raises(CohortkitError) as caught:
        notebooks.run_notebooks(tmp_path / "no release", tmp_path / "out", names=["table1"])
    assert "table1.ipynb" in str(caught.value)
    assert "Error" in caught.value.found
