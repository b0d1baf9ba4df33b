"""Single readings and means of several are not pooled unasked."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit import mixed
from cohortkit.errors import EstimateError
from cohortkit.mixed.effects import effects
from tests.mixed.designs import crossed

CALL = {"value": "value", "random": [["subject"], ["rater"]], "participant": None, "unit": "mm"}
ASK = {"fit": mixed.fit, "effects": lambda table, **call: effects(table, of=["rater"], **call)}


@pytest.fixture
def table():
    return crossed(12, 6, 1, (1, 0.5, 0.5))


@pytest.mark.parametrize("name", ASK)
def test_means_among_single_readings_are_refused(table, name):
    both = table.assign(reads_averaged=np.where(table["rater"] == 0, 3, 1))
    with pytest.raises(EstimateError, match="column 'reads_averaged'") as stop:
        ASK[name](both, **CALL)
    # by hand: 12 subjects, one of six raters gave means
    assert stop.value.found == "60 single; 12 means of 3"
    assert ASK[name](both.drop(columns="reads_averaged"), **CALL).estimates


@pytest.mark.parametrize("name", ASK)
def test_only_the_rows_used_are_asked(table, name):
    both = table.assign(reads_averaged=np.where(table["rater"] == 0, 3, 1))
    both.loc[both["rater"] == 0, "value"] = np.nan
    assert ASK[name](both, missing="drop", **CALL).estimates


@pytest.mark.parametrize("name", ASK)
@pytest.mark.parametrize(("averaged", "said"), [(1, False), (3, True)])
def test_means_throughout_are_said(table, name, averaged, said):
    result = ASK[name](table.assign(reads_averaged=averaged), **CALL)
    assert ("reads_averaged" in {c.code for c in result.cautions}) is said
