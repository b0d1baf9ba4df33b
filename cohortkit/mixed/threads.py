"""One thread for matrix products: small matrices lose more by threads than they gain."""

from __future__ import annotations

import functools
from contextlib import AbstractContextManager
from typing import Any

from threadpoolctl import ThreadpoolController


@functools.cache
def _controller() -> ThreadpoolController:
    # Looking for the loaded libraries takes longer than a fit, so it is done once.
    return ThreadpoolController()


def one_thread() -> AbstractContextManager[Any]:
    """Keep numpy's and scipy's linear algebra on one thread for a while.

    Last digits then do not depend on the number of cores either.
    """
    limited: AbstractContextManager[Any] = _controller().limit(limits=1)
    return limited
