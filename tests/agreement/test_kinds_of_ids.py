"""The same answer whatever the type of the ids and the order of their categories."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import agreement
from cohortkit.errors import EstimateError, TableError
from tests.agreement.asked import EVERY, table_for
from tests.agreement.multisite import readings

IDS = ("participant_id", "finger_id", "scan_id", "rater_id", "site_id", "rater_site_id")
RATERS = 12  # so that 10 and 11 sort between 1 and 2 as text


def several() -> pd.DataFrame:
    """Twelve raters, ids of whole numbers as text."""
    table = readings(participants=16, fingers=1, scans=1, sites=2, raters_a_site=6, reads=2)
    for name in IDS:
        table[name] = pd.factorize(table[name])[0].astype(str)
    return table


def two() -> pd.DataFrame:
    """Raters 2 and 10, one read each of a finger; a grade as category."""
    table = several()
    table = table[table["rater_id"].isin(["2", "10"]) & (table["read_no"] == 1)]
    table = table.reset_index(drop=True)
    return table.assign(grade=np.where(table["gap_mm"] > 2, "II", "I"), episode_id=table["scan_id"])


def plain(column: pd.Series) -> pd.Series:
    return column.astype(object)


def text(column: pd.Series) -> pd.Series:
    return column.astype("string")


def numbers(column: pd.Series) -> pd.Series:
    return column.astype(int)


def category(column: pd.Series) -> pd.Series:
    """Categories in no order of sorting, some of them unused."""
    known = sorted(column.unique(), key=int)
    half = len(known) // 2
    return pd.Series(pd.Categorical(column, ["unused", *known[half:], "not used", *known[:half]]))


def pair(kind):
    return (2, 10) if kind is numbers else ("2", "10")


QUESTIONS = {
    "reliability": lambda t, k: agreement.reliability(t),
    "rater_effects": lambda t, k: agreement.rater_effects(t),
    "reading_quality": lambda t, k: agreement.reading_quality(t, order=None),
    "repeatability": lambda t, k: agreement.repeatability(t),
    "limits_replicates": lambda t, k: agreement.limits_replicates(t, raters=pair(k)),
}
PAIRED = {
    "icc": lambda t, k: agreement.icc(t),
    "limits_of_agreement": lambda t, k: agreement.limits_of_agreement(t, raters=pair(k)),
    "limits_clustered": lambda t, k: agreement.limits_clustered(t, raters=pair(k)),
    "limits_regression": lambda t, k: agreement.limits_regression(t, raters=pair(k), n_boot=50),
    "limits_ratio": lambda t, k: agreement.limits_ratio(t, raters=pair(k)),
    "limits_with_mean": lambda t, k: agreement.limits_with_mean(t),
    "concordance": lambda t, k: agreement.concordance(t, method="rater_id", methods=pair(k)),
    "deming": lambda t, k: agreement.deming(t, method="rater_id", methods=pair(k)),
    "passing_bablok": lambda t, k: agreement.passing_bablok(t, method="rater_id", methods=pair(k)),
    "cohen_kappa, resampled": lambda t, k: agreement.cohen_kappa(
        t, value="grade", raters=pair(k), interval="bootstrap", n_boot=50
    ),
    "fleiss_kappa, subjects": lambda t, k: agreement.fleiss_kappa(
        t, value="grade", participant=None, interval="bootstrap", n_boot=50
    ),
    "cohen_kappa": lambda t, k: agreement.cohen_kappa(t, value="grade", raters=pair(k)),
    "fleiss_kappa": lambda t, k: agreement.fleiss_kappa(t, value="grade"),
    "krippendorff_alpha": lambda t, k: agreement.krippendorff_alpha(t, value="grade"),
    "specific_agreement": lambda t, k: agreement.specific_agreement(t, value="grade"),
}


def answers(result):
    return {(e.name, e.group): (e.value, e.lower, e.upper, e.n_readings) for e in result}


@pytest.mark.parametrize("kind", [text, category, numbers])
@pytest.mark.parametrize("name", [*QUESTIONS, *PAIRED])
def test_every_rater_keeps_his_own_answer(name, kind):
    table = several() if name in QUESTIONS else two()
    ask = (QUESTIONS | PAIRED)[name]
    ids = [*IDS, *(["episode_id"] if "episode_id" in table else [])]
    expected = answers(ask(table.assign(**{c: plain(table[c]) for c in ids}), plain))
    found = answers(ask(table.assign(**{c: kind(table[c]) for c in ids}), kind))
    assert set(found) == set(expected)
    for key, (value, low, high, n) in expected.items():
        assert found[key][0] == pytest.approx(value, rel=1e-6, abs=1e-8, nan_ok=True), key
        assert found[key][3] == n
        limits = pytest.approx((low, high), rel=1e-6, abs=1e-6, nan_ok=True)
        assert found[key][1:3] == limits, key


def test_effects_and_shifts_follow_the_raters_own_means():
    table = several()
    names = [str(i) for i in range(RATERS)]
    table["rater_id"] = pd.Categorical(table["rater_id"], categories=names[::-1])
    means = table.groupby("rater_id", observed=True)["gap_mm"].mean()
    means = means - means.mean()
    effect = {e.group: e.value for e in agreement.rater_effects(table)}
    quality = agreement.reading_quality(table, order=None)
    shift = {e.group: e.value for e in quality if e.name == "rater_shift"}
    for rater in names:
        # by hand: in a complete table a shift is the rater's mean less the mean of all
        assert shift[f"rater={rater}"] == pytest.approx(means[rater], abs=1e-9)
        assert np.sign(effect[f"rater={rater}"]) == np.sign(means[rater])


def test_effects_stand_in_order_of_the_ids():
    table = several().assign(rater_id=lambda t: t["rater_id"].astype(int))
    # by hand: whole numbers in order of size, not as text
    assert [e.group for e in agreement.rater_effects(table)] == [f"rater={i}" for i in range(12)]


def test_two_raters_of_a_categorical_come_in_the_order_of_its_categories():
    table = two()
    forward = table.assign(rater_id=pd.Categorical(table["rater_id"], ["2", "10"]))
    back = table.assign(rater_id=pd.Categorical(table["rater_id"], ["10", "2"]))
    bias = agreement.limits_of_agreement(forward)["bias"].value
    # by hand: the difference turns its sign with the order
    assert agreement.limits_of_agreement(back)["bias"].value == -bias
    wide = table.pivot(index="scan_id", columns="rater_id", values="gap_mm")
    assert bias == pytest.approx((wide["2"] - wide["10"]).mean())


NAMED = ("limits_of_agreement", "limits_clustered", "limits_regression", "limits_ratio",
         "concordance", "deming", "passing_bablok", "cohen_kappa")  # fmt: skip


@pytest.mark.parametrize("name", NAMED)
def test_raters_who_do_not_stand_in_the_table_are_told_with_those_who_do(name):
    table = two().assign(rater_id=lambda t: t["rater_id"].astype(int))
    what = "method" if name in ("concordance", "deming", "passing_bablok") else "rater"
    with pytest.raises(EstimateError, match=f"no such {what}") as caught:
        PAIRED[name](table, plain)  # asks for the text "2" and "10"
    # by hand: the raters are the whole numbers 2 and 10
    assert "'2', '10' (text)" in caught.value.found
    assert "holds 2, 10 (whole numbers)" in caught.value.found
    assert "'rater_id'" in caught.value.found


def mixed(column: pd.Series, other) -> pd.Series:
    """Every second id something else."""
    known = {one: i for i, one in enumerate(dict.fromkeys(column))}
    return pd.Series([other(i) if (i := known[one]) % 2 else one for one in column], dtype=object)


@pytest.mark.parametrize("column", ["participant_id", "finger_id", "scan_id"])
@pytest.mark.parametrize("name", EVERY)
def test_numbers_among_text_are_ids_like_others(name, column):
    data = table_for(name)
    other = data.assign(**{column: mixed(data[column], lambda i: i)})
    other["episode_id"] = other["scan_id"]
    expected, found = EVERY[name](data), EVERY[name](other)
    assert [e.value for e in found] == pytest.approx([e.value for e in expected], nan_ok=True)


@pytest.mark.parametrize("column", ["participant_id", "scan_id", "rater_id"])
@pytest.mark.parametrize("name", [name for name in EVERY if not name.endswith(", named")])
def test_dates_among_numbers_have_no_order(name, column):
    data = table_for(name)
    numbers = data[column].map({one: i for i, one in enumerate(data[column].unique())})
    day = pd.Timestamp("2020-01-02")
    other = data.assign(**{column: mixed(numbers, lambda i: day + pd.Timedelta(i, "D"))})
    with pytest.raises(TableError, match=f"Column '{column}' mixes types of ids"):
        EVERY[name](other)


@pytest.mark.parametrize("column", ["participant_id", "scan_id", "rater_id"])
@pytest.mark.parametrize("name", EVERY)
def test_a_number_and_its_text_may_be_one_id(name, column):
    data = table_for(name)
    data[column] = data[column].astype(object)
    data.loc[[2, 3], column] = pd.Series([1, "1"], index=[2, 3], dtype=object)
    with pytest.raises(TableError, match=f"Column '{column}' holds ids that read alike"):
        EVERY[name](data)


@pytest.mark.parametrize("column", ["participant_id", "scan_id", "rater_id"])
@pytest.mark.parametrize("name", [name for name in EVERY if not name.endswith(", named")])
def test_pairs_of_names_are_ids_like_others(name, column):
    data = table_for(name)
    pairs = [("site", one) for one in data[column]]
    other = data.assign(**{column: pd.Series(pairs, dtype=object)})
    expected, found = EVERY[name](data), EVERY[name](other)
    assert [e.value for e in found] == pytest.approx([e.value for e in expected], nan_ok=True)
