"""Every number that a text may quote, each with an id."""

from __future__ import annotations

import re
from collections.abc import Iterable

import pandas as pd

from cohortkit.display import LEVELS, interval, number, with_unit
from cohortkit.report.answer import Answer

COLUMNS = (
    "id",
    "text",
    "value",
    "lower",
    "upper",
    "level",
    "unit",
    "n_participants",
    "n_fingers",
    "n_readings",
    "n_episodes",
    "method",
)


def numbers_in_text(answers: Iterable[Answer]) -> pd.DataFrame:
    """One row per quotable number, at full precision and as it is printed.

    The id is made of question, stratum, estimator, estimate and group, so that it
    stays the same from release to release: ``fig2_agreement.a2_loaded.icc.icc_a_1``.

    Returns
    -------
    pandas.DataFrame
        id, text, value, lower, upper, level, unit, every n and the method.
    """
    rows = []
    for answer in answers:
        for e in answer.tables.get("estimates", pd.DataFrame()).to_dict("records"):
            parts = [answer.name, e["stratum"], e["estimator"], e["name"], e["group"]]
            unit = str(e["unit"])
            limits = interval(e["lower"], e["upper"], unit)
            text = f"{with_unit(number(e['value'], unit), unit)} {limits}".strip()
            rows.append(
                {"id": ".".join(_slug(str(p)) for p in parts if p), "text": text}
                | {name: e[name] for name in COLUMNS[2:]}
            )
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    twice = table["id"].duplicated(keep=False)
    order = table.groupby("id").cumcount() + 1
    table["id"] = table["id"].where(~twice, table["id"] + "." + order.astype("string"))
    for name in ("id", "text", "unit", "method"):
        table[name] = table[name].astype("string")
    for name in (f"n_{level}" for level in LEVELS):
        table[name] = pd.to_numeric(table[name]).astype("Int64")
    return table


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")
