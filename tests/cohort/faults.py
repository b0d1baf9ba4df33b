"""System calls that fail, or kill the process, at the n-th call."""

from __future__ import annotations

import errno
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

CALLS = ("open", "write", "fsync", "replace", "rename", "mkdir")


@contextmanager
def at_call(act: Callable[[int], None]) -> Iterator[None]:
    """Run `act` with the number of each call of `CALLS`, before the call is made."""
    original = {name: getattr(os, name) for name in CALLS}
    count = 0

    def wrapped(name: str) -> Callable[..., Any]:
        def call(*arguments: Any, **options: Any) -> Any:
            nonlocal count
            count += 1
            act(count)
            return original[name](*arguments, **options)

        return call

    try:
        for name in CALLS:
            setattr(os, name, wrapped(name))
        yield
    finally:
        for name, function in original.items():
            setattr(os, name, function)


def failing(n: int, code: int = errno.ENOSPC) -> Callable[[int], None]:
    """Let the n-th call fail with this error number."""

    def act(count: int) -> None:
        if count == n:
            raise OSError(code, os.strerror(code))

    return act


def killing(n: int) -> Callable[[int], None]:
    """Kill the process with SIGKILL before the n-th call."""

    def act(count: int) -> None:
        if count == n:
            os.kill(os.getpid(), signal.SIGKILL)

    return act
