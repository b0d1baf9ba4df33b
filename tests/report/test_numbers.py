import pandas as pd

from cohortkit.report.numbers import COLUMNS, numbers_in_text
from tests.report.test_answer import answer, gather, result


def test_each_number_has_an_id_and_its_full_precision():
    table = numbers_in_text([answer(**gather({("A2 loaded, x", "roc"): result()}))])
    assert tuple(table.columns) == COLUMNS
    assert list(table["id"]) == ["fig.a2_loaded_x.roc.auc", "fig.a2_loaded_x.roc.lr_negative"]
    assert table["text"].iloc[0] == "0.900 [0.800, 0.950]"
    assert table["value"].iloc[0] == 0.9


def test_ids_are_unique_even_if_names_clash():
    twice = answer(**gather({("A2", "roc"): result(), ("a2", "roc"): result()}))
    ids = numbers_in_text([twice])["id"]
    assert ids.is_unique
    assert ids.iloc[0] == "fig.a2.roc.auc.1"


def test_no_answer_gives_an_empty_table():
    assert len(numbers_in_text([])) == 0


def test_every_estimate_of_the_plan_is_there(every_answer):
    table = numbers_in_text(every_answer.values())
    wanted = [a.tables["estimates"] for a in every_answer.values() if "estimates" in a.tables]
    assert len(table) == len(pd.concat(wanted))
    assert table["id"].is_unique
    assert table["method"].str.len().gt(0).all()
