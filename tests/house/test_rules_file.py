"""Rules stand one to one in schemas/rules.json and in code."""

from __future__ import annotations

import json

from cohortkit.tables import rules
from cohortkit.tables.schema import schema_folder


def listed() -> dict[str, dict]:
    content = json.loads((schema_folder() / "rules.json").read_text(encoding="utf-8"))
    return {rule["id"]: rule for rule in content["rules"]}


def test_rules_are_one_to_one():
    assert set(listed()) == set(rules.RULES)
    assert all(function.__name__ == name for name, function in rules.RULES.items())


def test_each_rule_says_what_and_what_next():
    for rule in listed().values():
        assert rule["severity"] in {"refuse", "warning"}
        assert len(rule["sentence"]) > 20
        assert len(rule["next_step"]) > 10
