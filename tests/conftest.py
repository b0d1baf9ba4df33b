"""What tests of every room share."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def repository() -> Path:
    """Root of the checkout."""
    return _ROOT


@pytest.fixture(scope="session")
def check_values(repository: Path) -> Path:
    """Folder of published worked examples kept beside the repository, if it is there."""
    folder = (repository / ".." / "shared" / "check_values").resolve()
    if not (folder / "expected.csv").is_file():
        pytest.skip("the folder of check values is not beside this checkout")
    return folder


@pytest.fixture(scope="session")
def demo(repository: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that the demo command makes, beside a copy of the invented clinics."""
    folder = tmp_path_factory.mktemp("journey")
    shutil.copytree(repository / "synthetic_cohort", folder / "synthetic_cohort")
    command = [sys.executable, "-m", "cohortkit", "--quiet", "demo", "--out", "demo"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return folder / "demo"
