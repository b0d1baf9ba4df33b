from cohortkit.report.stamp import SAFETY, footer, set_counts, versions


def test_safety_says_what_it_must():
    text = " ".join(SAFETY)
    for words in (
        "not a diagnostic device",
        "rules nothing out",
        "single patient",
        "licensed clinicians",
        "ethics approval",
        "local law",
    ):
        assert words in text


def test_versions_name_the_package_and_what_it_computes_with():
    assert {"cohortkit", "python", "numpy", "pandas", "scipy", "statsmodels"} <= set(versions())


def test_set_counts_are_the_last_line_of_the_flow(every_answer):
    answer = every_answer["fig3_reference_range"]
    for counted, chosen in zip(set_counts(answer), answer.sets, strict=True):
        assert counted["participants"] == len(chosen.rows)


def test_footer_names_release_plan_seed_and_every_caution(every_answer, release, plan):
    answer = every_answer["fig5_outcomes"]
    notice, first, *cautions = footer(answer, release, plan)
    assert notice == release.notices[0]
    assert release.label in first
    assert plan.sha256[:12] in first
    assert str(plan.seed) in first
    assert len(cautions) == len(answer.cautions)
