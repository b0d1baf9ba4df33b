"""Live or stored, single or means: every estimator of agreement asks in the same way."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from cohortkit import agreement
from cohortkit.errors import EstimateError
from tests.agreement.paired import codes
from tests.agreement.reads import invented

MISSING, PARTLY = "scanning_error_missing", "scanning_error_partly_missing"


def readings(n=12, raters=2, reads=2) -> pd.DataFrame:
    """Invented readings in the format's own columns: every rater, every scan, `reads` times."""
    gaps = np.round(2 + invented(n, raters * reads, subject=0.4, rater=0.05, error=0.1), 3)
    rows = [
        (f"s{i}", f"p{i}", f"R{j // reads}", j % reads + 1, gap)
        for i, line in enumerate(gaps)
        for j, gap in enumerate(line)
    ]
    names = ["scan_id", "participant_id", "rater_id", "read_no", "gap_mm"]
    return pd.DataFrame(rows, columns=names).assign(read_mode="live", reads_averaged=1)


def first(data):
    return data[data["read_no"] == 1].reset_index(drop=True)


def sizes(data):
    """Gaps as three rated sizes."""
    return data.assign(size=np.digitize(data["gap_mm"], [3.8, 4.2]))


SIZES = {"subject": "scan_id", "value": "size"}
METHOD = {"method": "rater_id"}
MEASURED = {
    "icc": lambda d: agreement.icc(first(d)),
    "limits_of_agreement": lambda d: agreement.limits_of_agreement(first(d)),
    "limits_clustered": lambda d: agreement.limits_clustered(first(d)),
    "limits_ratio": lambda d: agreement.limits_ratio(first(d)),
    "limits_regression": lambda d: agreement.limits_regression(first(d)),
    "limits_replicates": agreement.limits_replicates,
    "limits_with_mean": lambda d: agreement.limits_with_mean(first(d), n_boot=100),
    "repeatability": agreement.repeatability,
    "reliability": lambda d: agreement.reliability(d, n_boot=100),
    "concordance": lambda d: agreement.concordance(first(d), **METHOD),
    "deming": lambda d: agreement.deming(first(d), **METHOD),
    "passing_bablok": lambda d: agreement.passing_bablok(first(d), **METHOD),
}
RATED = {
    "cohen_kappa": lambda d: agreement.cohen_kappa(sizes(first(d)), **SIZES),
    "fleiss_kappa": lambda d: agreement.fleiss_kappa(sizes(first(d)), **SIZES),
    "gwet_ac": lambda d: agreement.gwet_ac(sizes(first(d)), **SIZES),
    "krippendorff_alpha": lambda d: agreement.krippendorff_alpha(sizes(first(d)), **SIZES),
    "specific_agreement": lambda d: agreement.specific_agreement(sizes(first(d)), **SIZES),
}
EVERY = MEASURED | RATED


@pytest.mark.parametrize("name", EVERY)
def test_stored_clips_say_that_the_error_of_scanning_is_missing(name):
    data = readings()
    assert not {MISSING, PARTLY} & codes(EVERY[name](data))
    result = EVERY[name](data.assign(read_mode="stored"))
    (caution,) = (c for c in result.cautions if c.code == MISSING)
    assert "where the probe is put" in caution.message
    assert "change between two visits" in caution.message
    assert "scan the fingers anew" in caution.message
    assert not {MISSING, PARTLY} & codes(EVERY[name](data.drop(columns="read_mode")))


# reliability puts the two together instead: tests/agreement/test_fitted.py
@pytest.mark.parametrize("name", [name for name in EVERY if name != "reliability"])
def test_some_stored_clips_are_counted(name):
    data = readings()
    some = data.assign(read_mode=np.where(data["scan_id"].isin(["s0", "s1"]), "stored", "live"))
    result = EVERY[name](some)
    (caution,) = (c for c in result.cautions if c.code == PARTLY)
    # by hand: of 12 scans two, each read by two raters, once or twice
    counts = {"4 of 24", "8 of 48"}
    assert any(caution.message.startswith(f"{n} readings") for n in counts)


@pytest.mark.parametrize("name", EVERY)
def test_means_among_single_readings_are_refused_alike(name):
    data = readings()
    scans = data["scan_id"].isin(["s0", "s1"])
    mixed = data.assign(reads_averaged=np.where(scans, 3, 1))
    with pytest.raises(EstimateError, match="column 'reads_averaged'") as stop:
        EVERY[name](mixed)
    # by hand: of 12 scans two, by one rater (methods are looked at one by one) or by two, who
    # read once or twice
    counts = ("10 single; 2 means of 3", "20 single; 4 means of 3", "40 single; 8 means of 3")
    assert stop.value.found in counts
    assert "reads_averaged == 1" in stop.value.next_step
    assert EVERY[name](mixed.drop(columns="reads_averaged")).estimates


@pytest.mark.parametrize("name", MEASURED)
def test_means_throughout_are_said(name):
    assert "reads_averaged" in codes(MEASURED[name](readings().assign(reads_averaged=3)))


def test_what_is_compared_is_no_mix():
    data = first(readings())
    one = data["rater_id"] == "R0"
    modes = data.assign(read_mode=np.where(one, "live", "stored"))
    assert PARTLY not in codes(agreement.concordance(modes, method="read_mode"))
    assert PARTLY not in codes(agreement.limits_of_agreement(modes, rater="read_mode"))
    assert PARTLY in codes(agreement.concordance(modes, method="rater_id"))
    means = data.assign(reads_averaged=np.where(one, 1, 3))
    assert "reads_averaged_mixed" in codes(agreement.deming(means, method="rater_id"))
    assert agreement.deming(means, method="reads_averaged").estimates


def test_known_errors_of_single_values_allow_for_means():
    data = first(readings())
    mixed = data.assign(reads_averaged=np.where(data["scan_id"] == "s0", 4, 1))
    mixed["se"] = 0.1 / np.sqrt(mixed["reads_averaged"])
    assert agreement.deming(mixed, method="rater_id", error="se").estimates


def test_a_new_scan_counts_the_error_of_scanning():
    once = readings().assign(read_mode="stored")
    shift = 0.1 * (once["scan_id"].str[1:].astype(int) % 3 - 1)
    again = once.assign(scan_id=once["scan_id"] + "-2", gap_mm=once["gap_mm"] + shift)
    data = pd.concat([once, again], ignore_index=True)
    data["finger_id"] = data["participant_id"]
    assert MISSING in codes(agreement.reliability(data, n_boot=100))
    anew = agreement.reliability(data, n_boot=100, occasion="new_scan")
    assert MISSING not in codes(anew)


def test_a_decision_study_carries_it_on():
    result = agreement.reliability(readings().assign(read_mode="stored"), n_boot=100)
    assert MISSING in codes(agreement.decision_study(result, kind="consistency"))


@pytest.mark.parametrize("name", [n for n in MEASURED if n.startswith("limits_")])
def test_limits_of_two_raters_name_them_beside_every_number(name):
    result = MEASURED[name](readings())
    assert result.settings["raters"] == ["R0", "R1"]
    if name == "limits_with_mean":
        return
    of_both = [e for e in result if not e.group.startswith("rater=")]
    assert of_both
    assert all(e.method.endswith("rater R0 minus rater R1") for e in of_both)
