"""Same-person candidates: what matches is found, chance does not flood the list."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.cohort.same_person import ONSET_TOLERANCE_DAYS, same_person_candidates
from cohortkit.tables.schema import typed

PERSON = {
    "sex": "male", "age_years": 31, "height_cm": 183.5, "dominant_side": "left",
    "climbing_years": 11.0, "level_ircra": 21,
}  # fmt: skip
EPISODE = {"side": "left", "digit": "ring", "onset_day": -2, "mechanism": "crimp"}


def people(*rows: dict) -> dict[str, pd.DataFrame]:
    full = [
        {"participant_id": f"P{k}", "site_id": f"S{k % 2}", **PERSON, **row}
        for k, row in enumerate(rows)
    ]
    return {"participants": typed(pd.DataFrame(full), "participants"), "episodes": episodes()}


def episodes(*rows: dict) -> pd.DataFrame:
    full = [{"episode_id": f"E{k}", **EPISODE, **row} for k, row in enumerate(rows)]
    columns = ["episode_id", "participant_id", "side", "digit", "onset_day", "mechanism"]
    return typed(pd.DataFrame(full, columns=columns), "episodes")


def crowd(n: int, seed: int, twice: int = 0) -> dict[str, pd.DataFrame]:
    """Invented climbers, independent of one another; `twice` of them entered again exactly."""
    draw = np.random.default_rng(seed)
    male = draw.random(n) < 0.6
    years = draw.gamma(2.2, 4, n).round().clip(0.5, 40)
    frame = pd.DataFrame(
        {
            "participant_id": [f"P{k:05d}" for k in range(n)],
            "site_id": draw.choice(["S01", "S02", "S03", "S04", "S05"], n),
            "sex": np.where(male, "male", "female"),
            "age_years": draw.normal(31, 9, n).clip(16, 65).round(),
            "height_cm": np.where(male, draw.normal(179, 6.5, n), draw.normal(167, 6, n)).round(),
            "dominant_side": draw.choice(["right", "left", "both"], n, p=[0.88, 0.1, 0.02]),
            "climbing_years": years,
            "level_ircra": draw.normal(17, 4, n).clip(5, 29).round(),
        }
    )
    hurt = np.flatnonzero(draw.random(n) < 0.6)
    injuries = pd.DataFrame(
        {
            "episode_id": [f"E{k}" for k in hurt],
            "participant_id": frame["participant_id"].iloc[hurt].to_numpy(),
            "side": draw.choice(["left", "right"], len(hurt)),
            "digit": draw.choice(
                ["index", "middle", "ring", "little"], len(hurt), p=[0.05, 0.35, 0.55, 0.05]
            ),
            "onset_day": -draw.integers(0, 60, len(hurt)),
            "mechanism": draw.choice(
                ["crimp", "half_crimp", "pocket", "foot_slip", "unknown"], len(hurt)
            ),
        }
    )
    again = frame.iloc[hurt[:twice]].assign(site_id="S09")
    again["participant_id"] = "Q" + again["participant_id"].str[1:]
    moved = injuries[injuries["participant_id"].isin("P" + again["participant_id"].str[1:])]
    moved = moved.assign(
        episode_id="F" + moved["episode_id"].str[1:], onset_day=moved["onset_day"] - 9
    )
    moved["participant_id"] = "Q" + moved["participant_id"].str[1:]
    return {
        "participants": typed(pd.concat([frame, again]), "participants"),
        "episodes": typed(pd.concat([injuries, moved]), "episodes"),
    }


def test_two_equal_records_of_two_sites_are_a_candidate():
    found = same_person_candidates(people({}, {}))
    pair = found.iloc[0]
    assert len(found) == 1
    assert (pair["participant_id_1"], pair["site_id_1"]) == ("P0", "S0")
    assert (pair["participant_id_2"], pair["site_id_2"]) == ("P1", "S1")
    assert pair["agrees"] == "age_years, height_cm, climbing_years, level_ircra, sex, dominant_side"
    assert pair["differs"] == ""


def test_two_equal_records_of_one_site_are_a_candidate_too():
    assert len(same_person_candidates(people({"site_id": "S7"}, {"site_id": "S7"}))) == 1


def test_near_values_count_less_and_are_told():
    same = same_person_candidates(people({}, {}))["evidence_bits"].iloc[0]
    near = same_person_candidates(people({}, {"age_years": 32, "height_cm": 182}))
    assert near["evidence_bits"].iloc[0] < same
    assert near["agrees"].iloc[0].startswith("age_years (near), height_cm (near)")


@pytest.mark.parametrize(
    "other",
    [
        {"sex": "female"},
        {"age_years": 35},
        {"height_cm": 165.0, "climbing_years": 2.0},
    ],
)
def test_other_persons_are_no_candidate(other):
    assert same_person_candidates(people({}, other)).empty


def test_what_is_missing_says_nothing_either_way():
    gaps = {"age_years": None, "dominant_side": None}
    found = same_person_candidates(people(gaps, {}))
    assert found["agrees"].tolist() == ["height_cm, climbing_years, level_ircra, sex"]
    empty = dict.fromkeys(PERSON) | {"sex": "not_stated"}
    assert same_person_candidates(people(empty, empty)).empty


def test_the_same_injured_finger_adds_and_another_takes_away():
    def bits(*rows):
        found = same_person_candidates(people({}, {}) | {"episodes": episodes(*rows)})
        return found["evidence_bits"].iloc[0], found["agrees"].iloc[0], found["differs"].iloc[0]

    none = bits()
    same = bits({"participant_id": "P0"}, {"participant_id": "P1"})
    finger = bits({"participant_id": "P0"}, {"participant_id": "P1", "mechanism": "pocket"})
    other = bits({"participant_id": "P0"}, {"participant_id": "P1", "digit": "index"})
    assert same[0] > finger[0] > none[0] > other[0]
    assert same[1].endswith("injured finger and mechanism")
    assert finger[1].endswith("injured finger")
    assert other[2] == "injured finger"


def test_the_onset_of_one_injury_is_not_compared_since_days_count_from_each_enrolment():
    near = episodes({"participant_id": "P0"}, {"participant_id": "P1"})
    far = episodes({"participant_id": "P0"}, {"participant_id": "P1", "onset_day": -900})
    pair = people({}, {})
    one = same_person_candidates(pair | {"episodes": near})
    assert one.equals(same_person_candidates(pair | {"episodes": far}))


@pytest.mark.parametrize(
    ("apart", "agrees"),
    [(0, True), (ONSET_TOLERANCE_DAYS, True), (ONSET_TOLERANCE_DAYS + 1, False)],
)
def test_days_between_two_injuries_are_compared(apart, agrees):
    rows = [
        {"participant_id": p, "digit": digit, "onset_day": start + gap}
        for p, start, late in (("P0", -400, 0), ("P1", -150, apart))
        for digit, gap in (("ring", 0), ("middle", 100 + late))
    ]
    found = same_person_candidates(people({}, {}) | {"episodes": episodes(*rows)})
    where = "agrees" if agrees else "differs"
    assert "days between injuries" in found[where].iloc[0]


def test_550_people_give_few_pairs_by_chance_and_those_entered_twice_are_found():
    chance, hits = [], []
    for seed in range(6):
        found = same_person_candidates(crowd(550, seed, twice=10))
        planted = found["participant_id_1"].str[1:] == found["participant_id_2"].str[1:]
        hits.append(int(planted.sum()))
        chance.append(int((~planted).sum()))
    assert np.mean(chance) <= 7.5  # planted truth: the default asks for about five by chance
    assert max(chance) <= 20
    assert np.mean(hits) >= 8  # planted truth: ten persons entered twice without a change


def test_more_people_do_not_mean_more_chance_pairs():
    counts = [len(same_person_candidates(crowd(n, 3))) for n in (200, 800, 2400)]
    assert max(counts) <= 25


def test_fewer_chance_pairs_can_be_asked_for():
    many = same_person_candidates(crowd(800, 5), expected_false=40)
    few = same_person_candidates(crowd(800, 5), expected_false=1)
    assert len(few) < len(many)
    assert few["evidence_bits"].min() > many["evidence_bits"].min()


def test_the_order_of_rows_does_not_matter():
    tables = crowd(300, 8, twice=5)
    shuffled = {
        name: frame.sample(frac=1, random_state=1).reset_index(drop=True)
        for name, frame in tables.items()
    }
    assert same_person_candidates(shuffled).equals(same_person_candidates(tables))


@pytest.mark.parametrize("n", [0, 1])
def test_nobody_and_one_person_give_no_pair(n):
    tables = people({}, {})
    assert same_person_candidates(tables | {"participants": tables["participants"].head(n)}).empty
