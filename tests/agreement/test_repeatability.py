"""Within-subject SD and repeatability, against published data and planted truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit.agreement import icc, repeatability
from cohortkit.errors import EstimateError
from tests.agreement.paired import codes, triple
from tests.expected import figures

OWN = {"subject": "subject", "rater": "rater", "value": "value", "participant": None}


def test_peak_flow_by_two_meters(check_values):
    wide = pd.read_csv(check_values / "data" / "pefr.csv")
    reads = wide.melt("subject", var_name="column")
    reads["rater"] = reads["column"].str[:-1]
    result = repeatability(reads, **OWN)
    expected = figures(check_values, "b01_pefr")
    for meter in ("wright", "mini"):
        row = expected.loc[f"within_sd_{meter}"]
        # source: check values (R 4.2.2, numpy); Bland & Altman 1986
        found = triple(result[f"within_sd@rater={meter}"])
        wanted = [row["value"], row["ci_low"], row["ci_high"]]
        assert found == pytest.approx(wanted, abs=row["tolerance"])
        row = expected.loc[f"repeatability_coef_{meter}"]
        value = result[f"repeatability@rater={meter}"].value
        assert value == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("measure", ["sub", "vic"])
def test_fat_thickness_by_two_observers(check_values, measure):
    data = pd.read_csv(check_values / "data" / "fat_ultrasound.csv")
    result = repeatability(data, subject="id", rater="observer", value=measure, participant=None)
    expected = figures(check_values, "b08_fat_repeatability")
    for who in ("KL", "SL"):
        row = expected.loc[f"within_sd_{who}_{measure}"]
        # source: check values (R 4.2.2, numpy)
        wanted = [row["value"], row["ci_low"], row["ci_high"]]
        found = triple(result[f"within_sd@rater={who}"])
        assert found == pytest.approx(wanted, abs=row["tolerance"])


def repeats(k=20, scans=1, m=2, error=0.1, seed=1):
    """Invented repeats by one rater: k participants, scans of each, m reads of a scan."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"p{i}", f"p{i}-{j}", "R", gap + error * rng.standard_normal())
        for i in range(k)
        for j in range(scans)
        for gap in [2 + rng.standard_normal()]
        for _ in range(m)
    ]
    return pd.DataFrame(rows, columns=["participant", "subject", "rater", "value"])


def test_equals_the_one_way_error_of_icc():
    data = repeats(m=3)
    sem = icc(data, **OWN | {"rater": None})["sem_oneway"]
    found = repeatability(data, **OWN)["within_sd@rater=R"]
    assert triple(found) == pytest.approx(triple(sem))


def test_two_reads_give_half_the_mean_squared_difference():
    data = repeats()
    d = data.groupby("subject")["value"].diff().dropna()
    # by hand: s_w^2 = sum d^2 / 2n
    found = repeatability(data, **OWN)["within_sd@rater=R"].value
    assert found**2 == pytest.approx((d**2).sum() / 40)


def test_several_scans_of_a_participant_are_clustered():
    data = repeats(scans=3)
    own = OWN | {"participant": "participant"}
    clustered = repeatability(data, **own)["within_sd@rater=R"]
    assert clustered.value == repeatability(data, **OWN)["within_sd@rater=R"].value
    assert clustered.n_participants == 20
    copied = pd.concat([data, data.assign(subject=data["subject"] + "c")])
    twice = repeatability(copied, **own)["within_sd@rater=R"]
    assert triple(twice) == pytest.approx(triple(clustered))


def test_reads_made_once_say_nothing_and_are_counted():
    data = pd.concat([repeats(), repeats(5, m=1).assign(subject=lambda d: d["subject"] + "x")])
    result = repeatability(data, **OWN)
    assert "read_once" in codes(result)
    assert result["within_sd@rater=R"].n_readings == 40


def test_no_repeat_is_refused():
    with pytest.raises(EstimateError, match="twice by the same rater"):
        repeatability(repeats(m=1), **OWN)


def test_without_raters_all_reads_go_together():
    result = repeatability(repeats(), **OWN | {"rater": None})
    assert [e.group for e in result] == ["", ""]
    assert "rater" not in result.spread


def test_error_that_grows_with_size_and_equal_reads_are_said():
    data = repeats(80, m=3, error=0.0)
    noise = np.random.default_rng(3).standard_normal(len(data))
    grows = data.assign(value=data["value"] + 0.2 * np.exp(data["value"] / 2) * noise)
    assert "spread_depends_on_size" in codes(repeatability(grows, **OWN))
    assert "no_disagreement_seen" in codes(repeatability(data, **OWN))


def test_one_participant_with_all_the_squares_has_no_interval():
    data = repeats(3, scans=2, error=0.0)
    data.loc[0, "value"] += 0.5
    found = repeatability(data, **OWN | {"participant": "participant"})["within_sd@rater=R"]
    assert np.isnan(found.lower)


def test_an_open_upper_limit_is_said():
    data = repeats(4, scans=2, error=0.01)
    data.loc[0, "value"] += 2
    result = repeatability(data, **OWN | {"participant": "participant"})
    assert np.isinf(result["within_sd@rater=R"].upper)
    assert "no_upper_limit" in codes(result)
