"""An intake whose accounts do not add up is not handed on."""

from __future__ import annotations

import dataclasses

import pytest

from cohortkit.cohort.intake import check_accounts
from cohortkit.errors import CohortkitError
from tests.cohort.clinic_files import SCANS, import_scans
from tests.cohort.test_traps import odd_row


@pytest.fixture
def intake(tmp_path):
    return import_scans(tmp_path, [*SCANS, odd_row(Last="x")])


def test_sound_accounts_pass(intake):
    assert check_accounts(intake) is intake


BENDS = {
    "a record less": lambda i: {"records": i.records.iloc[1:]},
    "a record twice": lambda i: {"records": i.records.iloc[[0, *range(len(i.records))]]},
    "refused without a reason": lambda i: {"problems": i.problems.iloc[:0]},
    "a reason without a refusal": lambda i: {"records": i.records.assign(status="accepted")},
    "counts": lambda i: {"counts": i.counts.assign(accepted=i.counts["accepted"] + 1)},
}


@pytest.mark.parametrize("bend", BENDS.values(), ids=BENDS.keys())
def test_anything_else_stops(intake, bend):
    with pytest.raises(CohortkitError, match="do not add up"):
        check_accounts(dataclasses.replace(intake, **bend(intake)))
