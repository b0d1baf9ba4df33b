import hashlib

import pytest

from cohortkit.errors import PlanError
from cohortkit.report.plan import read_plan


@pytest.fixture
def text(repository):
    return (repository / "analysis" / "plan.toml").read_text(encoding="utf-8")


@pytest.fixture
def write(tmp_path):
    def writer(text):
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return writer


def test_the_shipped_plan_is_read_and_named_by_its_hash(text):
    plan = read_plan()
    assert plan.sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert [s.name for s in plan.agreement][:1] == ["A2 loaded, uninjured"]
    assert plan.thresholds[0].positive == ("complete",)
    assert plan.reliability[0].raters_of == "new_site"
    assert plan.outcomes.rule_set == "schoffl2003"


FAULTS = [
    ("seed = 20261101", "seed = 'now'", "key 'seed'", "a whole number"),
    ("seed = 20261101", "", "lacks the key 'seed'", "add it"),
    ("seed = 20261101", "sede = 1\nseed = 1", "unknown key 'sede'", "use plan_version"),
    ('pulley = "A2"', 'pulley = "A9"', "key 'pulley'", "one of A2, A3, A4"),
    ('sides = "two"', 'sides = "both"', "number 1, key 'sides'", "two, upper, lower"),
    ('positive = ["complete"]', "positive = []", "key 'positive'", "a list of some of"),
    ('positive = ["complete"]', 'positive = ["partial"]', "positive and as negative", "partial"),
    ("level = 0.95 ", "level = 95 ", "key 'level'", "a fraction"),
    ("stated_cut_mm = 2.0", "stated_cut_mm = 20.0", "stated_cut_mm", "up to 12"),
    ("plan_version = 1", "plan_version = 2", "another version", "version 1"),
    ('name = "A2 rest"', 'name = "A2 loaded"', "same name", "rename"),
    ("[outcomes]", "[outcome]", "lacks the key 'rule_set'", "schoffl2003"),
    ("plan_version = 1", "plan_version =", "cannot be read", "TOML"),
    ('raters_of = "new_site"', 'raters_of = "any"', "key 'raters_of'", "one of site, new_site"),
    ("[[agreement]]", "[[agreements]]", "no [[agreement]] block", "at least one"),
]


@pytest.mark.parametrize(("old", "new", "where", "what"), FAULTS)
def test_a_fault_names_file_block_and_key_and_what_to_do(text, write, old, new, where, what):
    changed = text.replace(old, new)
    assert changed != text
    with pytest.raises(PlanError) as caught:
        read_plan(write(changed))
    message = str(caught.value)
    assert "plan.toml" in message
    assert where in message
    assert what in message
    assert "Next: " in message


def test_a_plan_that_is_not_there_is_said_to_be_so(tmp_path):
    with pytest.raises(PlanError, match="cannot be read"):
        read_plan(tmp_path / "none.toml")


def test_a_block_that_is_no_table_is_refused(text, write):
    with pytest.raises(PlanError, match="not a table"):
        read_plan(write("outcomes = 3\n" + text.replace("[outcomes]", "").replace("rule_set", "#")))


def test_a_figure_has_the_width_that_the_plan_gives_it(repository, tmp_path):
    text = (repository / "analysis" / "plan.toml").read_text(encoding="utf-8")
    shipped = "fig3_reference_range = 89"
    assert shipped in text
    path = tmp_path / "plan.toml"
    for given, widths in {"fig5_outcomes = 89": {"fig5_outcomes": 89}, "": {}}.items():
        path.write_text(text.replace(shipped, given), encoding="utf-8")
        assert read_plan(path).widths == widths
    for wrong in ("fig3_reference_range = 120", "fig1_flow = 89", "fig5_outcomes = true"):
        path.write_text(text.replace(shipped, wrong), encoding="utf-8")
        with pytest.raises(PlanError, match="widths_mm"):
            read_plan(path)
