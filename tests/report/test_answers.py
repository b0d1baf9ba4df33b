import json
from dataclasses import replace

import pandas as pd
import pytest

from cohortkit import agreement, thresholds
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.release import freeze
from cohortkit.figures import marks, style
from cohortkit.report import answers
from tests.figures import results
from tests.report.conftest import pooled_cohort

FIGURES = (
    "fig1_flow",
    "fig2_agreement",
    "fig3_reference_range",
    "fig4_thresholds",
    "fig5_outcomes",
    "fig6_reliability",
    "fig7_assumptions",
)


def test_every_question_of_the_plan_is_answered(every_answer, plan):
    assert tuple(every_answer) == FIGURES
    for answer in every_answer.values():
        assert answer.findings
        lost = answer.tables.get("not_estimated")
        assert lost is None or lost.empty
    assert [len(every_answer[name].sets) for name in FIGURES] == [
        4, len(plan.agreement), len(plan.reference), 2 * len(plan.thresholds), 1,
        len(plan.reliability), len(plan.agreement),
    ]  # fmt: skip


def test_numbers_are_those_of_the_estimators(release, plan, every_answer):
    stratum = plan.agreement[0]
    chosen = release.readings(
        pulley=stratum.pulley, load=stratum.load, read_mode="stored", injured=False, read_no=1,
        reads_averaged=1, one_finger_per_participant=True, seed=plan.seed,
    )  # fmt: skip
    table = every_answer["fig2_agreement"].tables["estimates"]
    row = table[(table["stratum"] == stratum.name) & (table["name"] == "icc_a_1")].iloc[0]
    assert row["value"] == agreement.icc(chosen, missing="drop")["icc_a_1"].value
    tears = release.graded_tears(pulley="A2", load="loaded")
    area = every_answer["fig4_thresholds"].results[0]["auc"]
    assert area.value == thresholds.roc(tears, missing="drop")["auc"].value


def test_every_finding_has_an_interval_and_n(every_answer):
    for name in FIGURES[1:]:
        for line in every_answer[name].findings:
            assert "[" in line or "not returned" in line
            assert "participants" in line


def test_each_figure_is_filed_under_its_own_name(drawn):
    endings = ("csv", "json", "pdf", "png", "svg")
    wanted = {f"{name}.{ending}" for name in FIGURES for ending in endings}
    wanted |= {
        f"{name}.{e}" for name in ("table1", "numbers_in_text", "grras") for e in ("csv", "json")
    }
    wanted.add("grras.md")
    assert {path.name for path in drawn.iterdir()} == wanted


def test_the_stamp_says_what_the_figure_rests_on(drawn, release, plan):
    stamp = json.loads((drawn / "fig4_thresholds.json").read_text(encoding="utf-8"))
    assert stamp["release_hash"] == release.release_hash
    assert stamp["plan_sha256"] == plan.sha256
    assert stamp["seed"] == plan.seed
    assert {"cohortkit", "python", "numpy", "pandas", "matplotlib"} <= set(stamp["software"])
    assert {"participants", "fingers", "readings"} <= set(stamp["sets"][0])
    assert any("cut was chosen on these rows" in caution for caution in stamp["cautions"])
    assert "not a diagnostic device" in stamp["safety"]


@pytest.mark.parametrize("name", FIGURES)
def test_a_figure_can_be_drawn_again_from_its_own_csv(drawn, every_answer, release, plan, name):
    back = marks.frame(pd.read_csv(drawn / f"{name}.csv", keep_default_na=False, na_values={
        column: [""] for column in (*marks.NUMBERS, *marks.COUNTS)
    }).to_dict("records"))  # fmt: skip
    lines = answers.footer(every_answer[name], release, plan)
    width = plan.widths.get(name)
    figure = answers.figure(replace(every_answer[name], source=back), lines, width)
    assert style.picture(figure, "svg") == (drawn / f"{name}.svg").read_bytes()


@pytest.mark.parametrize("name", FIGURES)
def test_nothing_is_clipped_in_the_real_figures(every_answer, release, plan, name):
    answer = every_answer[name]
    lines, width = answers.footer(answer, release, plan), plan.widths.get(name)
    figure = answers.figure(answer, lines, width)
    assert results.outside(figure) == []
    assert results.overlaps(figure) == []
    assert results.smallest_font(figure) >= 6
    text = results.all_text(figure).replace("\n", " ")
    assert release.label in text
    for caution in answer.cautions:
        assert caution in text


def test_no_id_of_a_person_or_scan_stands_in_any_file(drawn, release):
    ids = set(release.tables["participants"]["participant_id"])
    ids |= set(release.tables["scans"]["scan_id"])
    for path in drawn.glob("*.csv"):
        cells = path.read_text(encoding="utf-8").replace("\n", ",").split(",")
        assert ids.isdisjoint(cell.strip('"') for cell in cells)


@pytest.fixture(scope="module")
def tiny_answers(plan, tmp_path_factory):
    folder = tmp_path_factory.mktemp("tiny")
    ids = IdCoding.open("hmac", folder / "key.txt")
    release = freeze(pooled_cohort(scale=0.02), folder / "release", ids=ids)
    return release, answers.answer_all(release, plan)


def test_a_release_too_small_to_answer_says_why(tiny_answers):
    _, found = tiny_answers
    lost = [a.tables["not_estimated"] for a in found.values() if "not_estimated" in a.tables]
    reasons = pd.concat(lost)["reason"]
    assert len(reasons) > 0
    assert reasons.str.startswith("Not estimated. ").all()


def test_a_release_too_small_to_answer_is_drawn_all_the_same(tiny_answers, plan):
    release, found = tiny_answers
    for answer in found.values():
        figure = answers.figure(answer, answers.footer(answer, release, plan))
        assert results.outside(figure) == []


def test_a_release_without_stored_clips_is_answered_all_the_same(plan, tmp_path):
    pooled = pooled_cohort(scale=0.02)
    readings = pooled.tables["readings"]
    live = readings[readings["read_mode"].eq("live")].reset_index(drop=True)
    assert 0 < len(live) < len(readings)
    gone = set(readings["reading_id"]) - set(live["reading_id"])
    made = pooled.provenance
    only_live = replace(
        pooled,
        tables={**pooled.tables, "readings": live},
        provenance=made[~(made["table"].eq("readings") & made["key"].isin(gone))],
    )
    ids = IdCoding.open("hmac", tmp_path / "key.txt")
    release = freeze(only_live, tmp_path / "release", ids=ids)
    answer = answers.answer_all(release, plan)["fig2_agreement"]
    assert len(answer.tables["not_estimated"]) > 0
    assert results.outside(answers.figure(answer)) == []


def test_the_rows_of_the_corrected_accuracy_are_a_set_of_their_own(release, every_answer):
    answer = every_answer["fig4_thresholds"]
    own, wider = answer.sets[:2]
    assert answer.set_names[:2] == ("A2 loaded", "A2 loaded, corrected for verification")
    assert wider.settings["us_gap"] == "keep"
    estimates = answer.tables["estimates"].query("stratum == 'A2 loaded'")
    n = estimates.drop_duplicates("estimator").set_index("estimator")["n_readings"]
    assert (n["roc"], n["corrected_accuracy"]) == (len(own.rows), len(wider.rows))
    assert len(wider.rows) > len(own.rows)
    assert any("prevalence is that of these" in caution for caution in answer.cautions)


def test_the_two_raters_compared_are_named(every_answer):
    answer = every_answer["fig2_agreement"]
    for line, result in zip(answer.findings, answer.results[::2], strict=True):
        first, second = result.settings["raters"]
        assert f"For raters {first} and {second} (first minus second)" in line
        assert {first, second} <= set(answer.sets[0].rows["rater_id"])


def test_stored_clips_say_so_in_report_numbers_and_stamp(release, plan, every_answer):
    said = "All readings are of stored clips"
    answer = every_answer["fig2_agreement"]
    assert any(said in caution for caution in answer.cautions)
    assert any(said in line for line in answers.stamp(answer, release, plan)["cautions"])
    assert any(said in line for line in answers.footer(answer, release, plan))
    assert said in repr(answer)
