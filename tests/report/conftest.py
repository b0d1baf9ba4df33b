"""A frozen release of the invented cohort, made without the clinics' files."""

from __future__ import annotations

import pandas as pd
import pytest

from cohortkit.cohort.flow import participant_flow
from cohortkit.cohort.identity import IdCoding
from cohortkit.cohort.pooling import Pooled
from cohortkit.cohort.release import freeze
from cohortkit.cohort.row_keys import row_keys
from cohortkit.cohort.same_person import same_person_candidates
from cohortkit.report import answers
from cohortkit.synthetic import generate
from cohortkit.tables.schema import TABLE_NAMES

RECORD = ["site_id", "source", "file", "sheet", "line"]


NOTICE = "All clinics, people, ids and readings of this test are invented."


def pooled_cohort(scale=1.0, seed=None):
    """The generator's tables as a pool: one record per row, one of them refused at S01."""
    tables = generate(scale=scale, seed=seed).tables
    parts = []
    for name in TABLE_NAMES:
        keys = row_keys(tables[name], name)
        place = {"table": name, "site_id": "S01", "source": name, "file": f"{name}.csv"}
        rows = pd.DataFrame({"key": keys.to_numpy(), "line": range(2, len(keys) + 2)})
        parts.append(rows.assign(**place, file_sha256="0" * 64, sheet=pd.NA, corrected=False))
    provenance = pd.concat(parts, ignore_index=True)
    accepted = len(provenance)
    counts = pd.DataFrame(
        {
            "site_id": ["S01"], "source": ["all"], "file": ["all.csv"], "read": [accepted + 1],
            "accepted": [accepted], "refused": [1], "blank": [0],
        }
    )  # fmt: skip
    problem = dict(zip(RECORD, ["S01", "readings", "readings.csv", pd.NA, 1], strict=True))
    problem |= {"column": "gap_mm", "raw_value": "21", "code": "above_maximum"}
    problem |= {"severity": "refuse", "reason": "too large", "next_step": "check"}
    problems = pd.DataFrame([problem])
    return Pooled(
        tables=tables,
        provenance=provenance,
        problems=problems,
        counts=counts,
        duplicates=same_person_candidates(tables),
        flow=participant_flow(counts, problems, tables),
        notices=(NOTICE,),
    )


@pytest.fixture(scope="session")
def release(tmp_path_factory):
    folder = tmp_path_factory.mktemp("frozen")
    ids = IdCoding.open("hmac", folder / "key.txt")
    return freeze(pooled_cohort(), folder / "release", ids=ids)


@pytest.fixture(scope="session")
def plan(repository, tmp_path_factory):
    """The shipped plan with fewer bootstrap samples, so that tests stay quick."""
    text = (repository / "analysis" / "plan.toml").read_text(encoding="utf-8")
    path = tmp_path_factory.mktemp("plan") / "plan.toml"
    path.write_text(
        text.replace("bootstrap_samples = 2000", "bootstrap_samples = 100"), encoding="utf-8"
    )
    return answers.read_plan(path)


@pytest.fixture(scope="session")
def every_answer(release, plan):
    return answers.answer_all(release, plan)


@pytest.fixture(scope="session")
def drawn(release, plan, every_answer, tmp_path_factory):
    """Folder with every figure and table of the answers. Not to be changed."""
    folder = tmp_path_factory.mktemp("figures")
    answers.draw_all(release, plan, folder, every_answer)
    return folder
