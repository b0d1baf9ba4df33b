"""What tests of every room share."""

from __future__ import annotations

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
