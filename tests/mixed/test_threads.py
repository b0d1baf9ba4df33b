"""Linear algebra is kept on one thread, and given back."""

from __future__ import annotations

from threadpoolctl import threadpool_info

from cohortkit.mixed.threads import one_thread


def threads() -> list[int]:
    return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]


def test_one_thread_inside_and_as_before_outside():
    before = threads()
    with one_thread():
        assert set(threads()) <= {1}
    assert threads() == before
