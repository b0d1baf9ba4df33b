"""One thread for matrix products: the matrices here are small, and threads would wait in turn."""

from __future__ import annotations

import pytest
from threadpoolctl import threadpool_limits


@pytest.fixture(autouse=True, scope="session")
def one_thread():
    with threadpool_limits(1):
        yield
