"""Values written in steps that are large beside the error."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement.rounding import rounding_caution


@pytest.mark.parametrize(("step", "said"), [(0.1, True), (0.06, True), (0.04, False)])
def test_a_step_of_more_than_half_the_error_is_said(step, said):
    values = np.round(np.linspace(1, 2, 40) / step) * step
    assert bool(rounding_caution(values, 0.1)) is said


def test_equal_values_have_no_step():
    assert rounding_caution(np.full((3, 2), 1.5), 0.1) == []
