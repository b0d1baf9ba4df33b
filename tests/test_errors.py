"""Errors say what, where, what was found and what to do next."""

from __future__ import annotations

import inspect

import pytest

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


@pytest.mark.parametrize("where", ["", "line 3. Column 2"])
@pytest.mark.parametrize("found", ["", "'x'. And 'y'"])
def test_an_error_is_read_back_from_its_text(where, found):
    told = TableError("It stopped. Twice", where=where, found=found, next_step="go on. Then stop")
    again = TableError.from_text(str(told))
    assert vars(again) == vars(told)
    assert isinstance(again, TableError)


@pytest.mark.parametrize("text", ["", "division by zero", "It stopped. Next: ", "Next: go on."])
def test_what_is_told_otherwise_is_no_error_of_ours(text):
    assert CohortkitError.from_text(text) is None
