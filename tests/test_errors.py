"""Errors say what, where, what was found and what to do next."""

from __future__ import annotations

import inspect

from cohortkit import errors
from cohortkit.errors import CohortkitError, TableError


def test_message_reads_in_order_and_leaves_out_what_is_empty():
    full = CohortkitError("It stopped", where="line 3", found="'x'", next_step="write a number")
    assert str(full) == "It stopped. Where: line 3. Found: 'x'. Next: write a number."
    assert str(CohortkitError("It stopped.", next_step="go on.")) == "It stopped. Next: go on."


def test_every_class_has_its_own_exit_code():
    classes = [c for _, c in inspect.getmembers(errors, inspect.isclass)]
    codes = [c.exit_code for c in classes if issubclass(c, CohortkitError)]
    assert len(codes) == len(set(codes))
    assert all(0 < code < 64 for code in codes)


def test_table_error_is_a_value_error():
    assert issubclass(TableError, ValueError)
