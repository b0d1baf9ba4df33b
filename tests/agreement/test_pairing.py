"""How pairs of two methods are laid out, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import concordance, passing_bablok
from cohortkit.agreement.pairing import coarse_values, paired, shared_cautions
from cohortkit.errors import ArgumentError, EstimateError, TableError
from tests.agreement.planted_pairs import OWN, Design, pairs_of, table

FIRST = [1.0, 1.4, 2.1, 2.9, 3.3]
SECOND = [1.1, 1.5, 2.0, 3.1, 3.2]


def laid(data, method="method", methods=None, missing="stop", error=None, **options):
    return paired(
        data, method=method, methods=methods, missing=missing, options={**OWN, **options},
        error=error,
    )  # fmt: skip


def codes(cautions):
    return {c.code for c in cautions}


def test_pairs_meet_whatever_the_order_of_rows():
    data = table(FIRST, SECOND).sample(frac=1, random_state=4)
    found = laid(data)
    assert found.first.tolist() == FIRST
    assert found.second.tolist() == SECOND
    assert found.methods == ("first", "second")
    assert laid(data, methods=("second", "first")).first.tolist() == SECOND


def test_default_names_are_those_of_the_format():
    data = table(FIRST, SECOND, names=("live", "stored")).rename(
        columns={
            "subject": "scan_id",
            "method": "read_mode",
            "value": "gap_mm",
            "person": "participant_id",
        }
    )
    data["finger_id"] = data["participant_id"].astype(str) + "|left|ring"
    result = concordance(data)
    assert "live and stored" in result.question
    assert result["concordance"].n_participants == 5
    assert result["concordance"].n_fingers == 5
    assert result["concordance"].n_readings == 10
    assert result.pairs["first"].tolist() == FIRST


@pytest.mark.parametrize("rows", [0, 1, 2, 3])
def test_too_few_pairs(rows):
    data = table(FIRST[:1], SECOND[:1])
    data = pd.concat([data, data.assign(subject="s9", value=1.0)]).iloc[:rows]
    with pytest.raises(EstimateError, match=r"two methods|both methods|at least two subjects"):
        laid(data)


def test_two_pairs_are_the_fewest():
    assert len(laid(table(FIRST[:2], SECOND[:2])).first) == 2


def test_three_methods_have_to_be_named():
    data = pd.concat([table(FIRST, SECOND), table(FIRST, SECOND, names=("third", "fourth"))])
    with pytest.raises(EstimateError, match="4 methods: first, fourth, second, third"):
        laid(data)
    assert laid(data, methods=("first", "third")).methods == ("first", "third")


@pytest.mark.parametrize("methods", ["first", ("first",), ("first", "first"), ("a", "b", "c")])
def test_methods_are_two(methods):
    with pytest.raises(ArgumentError, match="two different methods"):
        laid(table(FIRST, SECOND), methods=methods)


def test_a_method_that_is_not_there():
    with pytest.raises(EstimateError, match="no such method"):
        laid(table(FIRST, SECOND), methods=("first", "other"), missing="drop")


def test_missing_values_stop_or_are_counted():
    data = table(FIRST, SECOND)
    data.loc[[1, 2], "value"] = np.nan
    with pytest.raises(TableError, match=r"value \(2\)"):
        laid(data)
    found = laid(data, missing="drop")
    assert found.subjects == ["s000", "s003", "s004"]
    message = next(c.message for c in found.cautions if c.code == "left_out")
    assert message.startswith("Missing values, left out: 2;")
    assert "subjects without a partner, left out: 2" in message


def test_all_missing():
    with pytest.raises(EstimateError, match="at least two subjects"):
        laid(table(FIRST, SECOND).assign(value=np.nan), missing="drop")


def test_subjects_without_a_partner_stop_or_are_counted():
    data = table(FIRST, SECOND).drop(index=7)
    with pytest.raises(EstimateError, match="1 of 5 subjects by one method only"):
        laid(data)
    assert len(laid(data, missing="drop").first) == 4


def test_two_values_in_a_cell():
    data = table(FIRST, SECOND)
    with pytest.raises(EstimateError, match="more than one value by the same method"):
        laid(pd.concat([data, data.iloc[[0]]]))


def test_a_subject_of_two_participants():
    data = table(FIRST, SECOND)
    data.loc[0, "person"] = 9
    with pytest.raises(TableError, match="more than one participant"):
        laid(data, participant="person")


def test_text_and_infinity_are_no_values():
    data = table(FIRST, SECOND)
    with pytest.raises(TableError, match="finite number"):
        laid(data.assign(value=["2,1"] + ["1"] * 9))
    with pytest.raises(TableError, match="finite number"):
        laid(data.assign(value=np.inf))


def test_unknown_option_lists_the_known():
    with pytest.raises(ArgumentError, match="subject, value, participant, unit"):
        concordance(table(FIRST, SECOND), rater="x", **OWN)


def test_different_quantities_are_never_pooled_unasked():
    data = table(FIRST, SECOND).assign(pulley=["A2", "A4"] * 5)
    with pytest.raises(EstimateError, match="pulley"):
        laid(data)


def test_unseen_gaps_are_unknown_not_zero():
    data = table(FIRST, SECOND).assign(below_resolution=[True] + [False] * 9)
    data.loc[0, "value"] = np.nan
    with pytest.raises(TableError, match="1 of 10 readings below resolution"):
        laid(data)
    assert {"below_resolution", "left_out"} <= codes(laid(data, missing="drop").cautions)


def test_a_rater_that_goes_with_the_method_is_named():
    data = table(FIRST, SECOND)
    same = data.assign(rater_id="R1", reads_averaged=1)
    assert codes(laid(same).cautions) == set()
    other = data.assign(rater_id=["R1"] * 5 + ["R2"] * 5, reads_averaged=[1] * 5 + [3] * 5)
    found = laid(other).cautions
    assert codes(found) == {"raters_differ_within_pairs", "reads_averaged_mixed"}
    assert "5 of 5 pairs" in found[0].message


def test_known_errors_are_positive():
    data = table(FIRST, SECOND).assign(se=[0.1] * 9 + [0.0])
    with pytest.raises(TableError, match="positive"):
        laid(data, error="se")
    found = laid(data.assign(se=np.arange(1, 11) / 10), error="se")
    assert found.first_error.tolist() == [0.1, 0.2, 0.3, 0.4, 0.5]
    assert found.second_error.tolist() == [0.6, 0.7, 0.8, 0.9, 1.0]


def test_no_relation_is_said():
    rng = np.random.default_rng(3)
    x = rng.standard_normal(40)
    assert "no_relation_shown" in codes(shared_cautions(pairs_of(x, rng.standard_normal(40))))
    assert "no_relation_shown" in codes(shared_cautions(pairs_of(x, -x)))
    assert codes(shared_cautions(pairs_of(x, x + 0.1))) == set()


def test_few_participants_are_counted_as_persons():
    rng = np.random.default_rng(3)
    x = rng.standard_normal(60)
    cluster = np.repeat(np.arange(20), 3)
    found = shared_cautions(pairs_of(x, x, cluster))
    assert codes(found) == {"few_participants"}
    assert found[0].message.startswith("20 participants")


def test_coarse_values_are_said():
    x = np.linspace(1, 3, 40)
    assert coarse_values(pairs_of(x, x)) == []
    assert codes(coarse_values(pairs_of(np.round(x, 0), x))) == {"coarse_values"}
    result = passing_bablok(table(np.round(x, 0), x), method="method", **OWN)
    assert "coarse_values" in codes(result.cautions)


@pytest.mark.parametrize("participants", [20, 50, 100])
@pytest.mark.parametrize(("step", "said"), [(0.2, True), (0.1, True), (0.02, False), (0.0, False)])
def test_coarse_values_are_said_of_every_sample(participants, step, said):
    generator = np.random.default_rng(8)
    design = Design(participants, step=step)
    samples = [design.draw(generator) for _ in range(50)]
    told = [bool(coarse_values(pairs)) for pairs in samples]
    # planted truth: steps of 0.32, 0.16 and 0.03 SD
    assert np.mean(told) == pytest.approx(float(said), abs=0.02)
    inches = [replace(p, first=p.first / 25.4, second=p.second / 25.4) for p in samples]
    assert [bool(coarse_values(pairs)) for pairs in inches] == told


def test_coarse_values_name_the_step_and_its_unit():
    pairs = Design(50, step=0.1).draw(np.random.default_rng(8))
    (caution,) = coarse_values(replace(pairs, settings={"unit": "mm"}))
    assert caution.message.startswith("Values are written in steps of 0.1 mm, 0.1")
    (caution,) = coarse_values(
        replace(pairs, first=pairs.first + 1e-3 * np.arange(50), settings={})
    )
    assert "in steps of 0.1, " in caution.message  # by hand: one method is coarse still


def test_concordance_says_so_from_steps_of_a_quarter_of_the_spread():
    generator = np.random.default_rng(8)
    for step, said in ((0.2, True), (0.1, False)):
        pairs = Design(50, step=step).draw(generator)
        found = concordance(table(pairs.first, pairs.second), method="method", **OWN)
        assert ("coarse_values" in codes(found.cautions)) is said
