"""The result's shape: tables, dictionary, printing."""

from __future__ import annotations

import json

import pytest

from cohortkit import mixed
from tests.mixed.designs import dyestuff, no_variance


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
