"""What every layout asks of its rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement.shared_rows import (
    filled,
    groups,
    one_a_cell,
    one_participant_each,
    stop_at_unseen,
    unseen,
)
from cohortkit.errors import ArgumentError, EstimateError, TableError


def test_groups_are_raters_who_share_subjects():
    # by hand: raters 0 and 1 share subject 0, raters 2 and 3 subject 1
    label = groups(np.array([0, 0, 1, 1]), np.array([0, 1, 2, 3]))
    assert label[0] == label[1] != label[2]
    assert label[2] == label[3]


def test_groups_are_numbered_without_gaps():
    assert groups(np.array([5, 5, 2]), np.array([0, 7, 3])).tolist() in ([0, 0, 1], [1, 1, 0])


def test_options_fill_the_defaults_or_are_named():
    assert filled({"a": 1, "b": 2}, {"b": 3}, "It does") == {"a": 1, "b": 3}
    with pytest.raises(ArgumentError, match=r"It does not take that argument.*c, d.*one of a, b"):
        filled({"a": 1, "b": 2}, {"d": 3, "c": 3}, "It does")


def test_unseen_gaps_stop_unless_dropped():
    rows = pd.DataFrame({"value": [1.0, None, None], "below_resolution": [True, True, None]})
    assert unseen(rows) == 1  # by hand: the first was seen all the same, the last is not marked
    assert unseen(rows[["value"]]) == 0
    stop_at_unseen(rows, "drop")
    with pytest.raises(TableError, match="1 of 3 readings below resolution"):
        stop_at_unseen(rows, "stop")


def test_a_subject_has_one_participant():
    rows = pd.DataFrame({"subject": [1, 1, 2], "participant": ["p", "p", "p"]})
    assert one_participant_each(rows)["subject"].tolist() == [1, 2]
    assert one_participant_each(rows[["subject"]]).empty
    with pytest.raises(TableError, match=r"more than one participant.*subject 1"):
        one_participant_each(rows.assign(participant=["p", "q", "p"]))


def test_a_cell_has_one_row():
    rows = pd.DataFrame({"subject": [1, 1, 2], "rater": [7, 7, 7], "value": [0.1, 0.2, 0.3]})
    one_a_cell(rows[1:], ("rater", "subject"), "Twice", noun="read", next_step="keep one")
    with pytest.raises(EstimateError) as caught:
        one_a_cell(rows, ("rater", "subject"), "Twice", noun="read", next_step="keep one")
    # by hand: plain numbers, not those of a library
    assert caught.value.found == "1 further read, the first: rater 7, subject 1"
