"""How reads of two raters are laid out."""

from __future__ import annotations

import numpy as np
import pytest

from cohortkit.agreement.limit_reads import clean, linked, spec, two_raters
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.agreement.paired import fingers


def test_pairs_are_first_minus_second_by_subject():
    data = fingers(k=3, per=(1,)).sample(frac=1, random_state=2)
    pairs = linked(data, ("R2", "R1"), {})
    wide = data.pivot(index="scan_id", columns="rater_id", values="gap_mm")
    assert pairs.difference.tolist() == (wide["R2"] - wide["R1"]).tolist()
    assert pairs.table["participant"].tolist() == ["p0", "p1", "p2"]


def test_clusters_are_participants_or_subjects():
    data = fingers(k=4, per=(2,))
    assert clean(data, {}).n_clusters == 4
    assert clean(data, {"participant": None}).n_clusters == 8


def test_options_have_defaults_and_unknown_ones_are_errors():
    assert spec({"unit": "cm"})["unit"] == "cm"
    with pytest.raises(ArgumentError, match="units"):
        spec({"units": "cm"})


def test_raters_are_two():
    data = fingers()
    assert two_raters(data, "rater_id", None) == ["R1", "R2"]
    with pytest.raises(ArgumentError):
        two_raters(data, "rater_id", ("R1", "R1"))
    with pytest.raises(EstimateError, match="1 rater: R1"):
        two_raters(data[data["rater_id"] == "R1"], "rater_id", None)


def test_one_participant_is_too_few_and_a_subject_has_one_participant():
    data = fingers(k=2, per=(3,))
    with pytest.raises(EstimateError, match="two participants"):
        linked(data[data["participant_id"] == "p0"], None, {})
    data.loc[0, "participant_id"] = "p1"
    with pytest.raises(TableError, match="more than one participant"):
        linked(data, None, {})


def test_unseen_gaps_stop_and_are_said_when_dropped():
    data = fingers().assign(below_resolution=False)
    data["gap_mm"] = data["gap_mm"].where(data.index != 0, np.nan)
    data.loc[0, "below_resolution"] = True
    with pytest.raises(TableError, match="unknown, not zero"):
        linked(data, None, {})
    pairs = linked(data, None, {"missing": "drop"})
    assert "below_resolution" in {c.code for c in pairs.reads.cautions}
