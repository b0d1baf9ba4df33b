"""The result's shape: tables, dictionary, printing."""

from __future__ import annotations

import json

import pytest

from cohortkit import mixed
from tests.mixed.designs import crossed, dyestuff, no_variance


@pytest.fixture(scope="module")
def result():
    return mixed.fit(dyestuff(), value="yield", random=[["batch"]], unit="g", participant=None)


def test_criterion_is_minus_two_log_likelihoods(result):
    assert result.criterion == -2 * result.log_likelihood


def test_components_are_the_estimates(result):
    table = result.components
    assert list(table["component"]) == ["batch", "residual"]
    assert list(table["levels"]) == [6, 30]
    assert table["share"].sum() == pytest.approx(1)
    assert list(table["variance"]) == [result["var_batch"].value, result["var_residual"].value]


def test_the_dictionary_is_ready_for_json(result):
    again = json.loads(json.dumps(result.to_dict()))
    assert again["levels"] == {"batch": 6}
    assert again["settings"]["random"] == [["batch"]]
    assert again["criterion"] == result.criterion


def test_the_settings_repeat_the_call(result):
    settings = dict(result.settings)
    assert settings.pop("intervals") == "none"
    assert mixed.fit(dyestuff(), **settings).log_likelihood == result.log_likelihood


def test_it_prints_with_its_cautions():
    table = no_variance()
    found = mixed.fit(table, value="value", random=[["subject"]], participant=None, unit="mm")
    assert "var_subject" in repr(found)
    assert "singular_fit" in repr(found)


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        ("profile", "profile, scale=ml"),
        (mixed.Profile("reml"), "profile, scale=reml"),
        (mixed.Bootstrap(n_boot=3, seed=4), "bootstrap, n_boot=3, seed=4"),
    ],
)
def test_the_kind_of_interval_stands_in_the_settings(choice, words):
    table = crossed(12, 4, 1, (1, 0.3, 0.5))
    found = mixed.fit(
        table, value="value", random=[["subject"]], participant=None, unit="mm", intervals=choice
    )
    assert found.settings["intervals"] == words
