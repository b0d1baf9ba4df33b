"""The checklist of reporting: filled from the analysis, honest about the rest."""

from __future__ import annotations

import json
import re

import pandas as pd
import pytest

from cohortkit.report import answers
from cohortkit.report.grras import checklist_markdown, grras


@pytest.fixture(scope="module")
def asked(every_answer):
    return [every_answer[name] for name in ("fig2_agreement", "fig6_reliability")]


@pytest.fixture(scope="module")
def table(release, plan, asked):
    return grras(release, plan, asked).set_index("item")


def test_there_are_fifteen_items_each_with_its_author(table):
    # source: Kottner et al. 2011, 15 items
    assert table.index.tolist() == [str(i) for i in range(1, 16)]
    assert (table["left_to_the_author"].str.len() > 0).all()
    assert (table["asks"].str.len() > 20).all()


def test_what_only_the_author_knows_is_left_empty(table):
    empty = table.index[table["from_the_analysis"] == ""].tolist()
    assert empty == ["1", "5", "6", "14"]
    assert (table.loc[empty, "where"] == "").all()


def test_numbers_used_are_those_of_the_sets(table, asked):
    text = table.loc["11", "from_the_analysis"]
    for answer in asked:
        for chosen in answer.sets:
            rows = chosen.rows
            assert f"{rows['participant_id'].nunique()} participants" in text
            assert f"{len(rows)} readings" in text
    assert len(text.splitlines()) == sum(len(answer.sets) for answer in asked)


def test_numbers_used_are_those_of_the_results(table, asked):
    lines = table.loc["11", "from_the_analysis"].splitlines()
    for answer in asked:
        estimates = answer.tables["estimates"]
        for stratum, part in estimates.groupby("stratum"):
            (line,) = [x for x in lines if x.startswith(f"{answer.name}, {stratum}:")]
            used = line.split(" In the set: ")[0]
            for n in set(part["n_readings"]):
                assert f"{n} readings" in used
            for n in set(part["n_fingers"]):
                assert f"{n} fingers" in used
    used = asked[1].sets[0].rows
    readers = used[used["gap_mm"].notna() & ~used["injured"]]["rater_id"].nunique()
    assert f"): {readers} raters, " in next(x for x in lines if answer.name in x)
    assert "): 2 raters, " in lines[0]


def test_a_missing_value_is_in_the_set_and_not_used(release, plan, asked):
    answer = asked[1]
    result = answer.results[0]
    rows = answer.sets[0].rows
    n = result["sem_intra"].n_readings
    line = grras(release, plan, [answer]).set_index("item").loc["11", "from_the_analysis"]
    assert n < len(rows)  # planted: some gaps lie below resolution
    first = line.splitlines()[0]
    assert f"{n} readings. In the set" in first
    assert f"{len(rows)} readings; " in first


def test_a_set_without_estimate_used_nothing(release, plan, asked):
    answer = asked[0]
    empty = {"tables": {"not_estimated": pd.DataFrame(columns=["stratum", "estimator", "reason"])}}
    odd = type(answer)(**{**vars(answer), "results": (), "strata": (), **empty})
    text = grras(release, plan, [odd]).set_index("item").loc["11", "from_the_analysis"]
    assert text.count("no reading was used") == len(answer.sets)


def test_blinding_is_counted_among_those_who_say(table, asked):
    known = asked[1].sets[0].rows["blinded_to_reference"].dropna()
    share = f"{100 * known.astype(bool).mean():.0f} %"
    line = next(x for x in table.loc["8", "from_the_analysis"].splitlines() if "fig6" in x)
    assert f"in {share} of the {len(known)} readings" in line


def test_results_stand_with_interval_n_and_cautions(table, asked):
    text = table.loc["13", "from_the_analysis"]
    estimates = asked[0].tables["estimates"]
    number = estimates[estimates["name"] == "sem_agreement"].iloc[0]
    assert f"{number['value']:.2f} mm [{number['lower']:.2f}, {number['upper']:.2f}]" in text
    assert all(caution in text for caution in asked[0].cautions)


def test_no_person_can_be_read_off(table, release):
    text = " ".join(table["from_the_analysis"])
    for name, key in (("raters", "rater_id"), ("participants", "participant_id")):
        assert not any(code in text for code in release.tables[name][key])


def test_a_stratum_without_estimate_is_told(release, plan, asked):
    lost = pd.DataFrame({"stratum": ["A9"], "estimator": ["icc"], "reason": ["Not estimated. X."]})
    odd = type(asked[0])(**{**vars(asked[0]), "tables": {"not_estimated": lost}})
    table = grras(release, plan, [odd]).set_index("item")
    assert "A9: Not estimated. X." in table.loc["13", "from_the_analysis"]


def test_page_has_a_section_per_item_and_no_live_markup(release, plan, table):
    bad = table.reset_index()
    bad.loc[1, "from_the_analysis"] = "<script>alert(1)</script> [x](http://y) | `z`"
    page = checklist_markdown(bad, release, plan)
    # by hand: 15 items
    assert len(re.findall(r"^## \d+\. ", page, flags=re.MULTILINE)) == 15
    assert "<script>" not in page.replace("\\<script\\>", "")
    assert "\\[x\\](http" in page
    assert page.count("Left to the author: ") == 15  # by hand: one per item


def test_files_lie_beside_the_figures(drawn, table):
    assert (drawn / "grras.md").read_text(encoding="utf-8").startswith("# Reporting")
    rows = json.loads((drawn / "grras.json").read_text(encoding="utf-8"))["rows"]
    assert [row["item"] for row in rows] == table.index.tolist()
    assert pd.read_csv(drawn / "grras.csv")["part"].iloc[0] == "title and abstract"


def test_the_door_exports_it():
    assert {"grras", "write_checklist"} <= set(answers.__all__)


def test_files_are_named_whole_and_nothing_asked_is_said(release, plan, asked):
    full = grras(release, plan, asked).set_index("item")["where"]
    assert full["11"] == "fig2_agreement.json, fig6_reliability.json"
    assert full["15"].startswith("fig2_agreement.csv, fig6_reliability.csv;")
    nothing = grras(release, plan, []).set_index("item")["from_the_analysis"]
    for item in ("2", "4"):
        assert nothing[item].startswith("Not known")


def test_errors_between_raters_are_among_the_results(table, asked):
    text = table.loc["13", "from_the_analysis"]
    estimates = asked[1].tables["estimates"]
    wanted = estimates[estimates["name"].str.fullmatch(r"(icc_agreement|sdc_inter)(_new_site)?")]
    assert len(wanted) > 0
    for e in wanted.to_dict("records"):
        assert f"fig6_reliability, {e['stratum']}: " in text
    assert text.count("fig6_reliability, ") >= len(wanted)
