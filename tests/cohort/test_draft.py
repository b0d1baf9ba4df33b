"""Drafts guess, mark every guess, and stop an import until a person has looked."""

from __future__ import annotations

import tomllib

import pytest

from cohortkit.cohort.draft import draft_mapping, guess_delimiter, guess_encoding, toml_text
from cohortkit.cohort.mapping import read_mapping
from cohortkit.errors import MappingError, SourceError
from tests.cohort.clinic_files import PEOPLE, SCANS, sheet_rows, write_clinic, write_sheet


def test_csv_is_guessed_and_shown(tmp_path):
    write_clinic(tmp_path)
    drafted = draft_mapping(tmp_path / "people.csv")
    source = tomllib.loads(drafted.text_toml)["sources"]["source"]
    assert source["file"] == "people.csv"
    assert (source["encoding"], source["delimiter"], source["decimal"]) == ("cp1252", ";", ",")
    assert source["header_line"] == 1
    assert any("Größe" in line for line in drafted.summary)
    assert "#   Geschlecht: w, m" in drafted.text_toml


def test_header_below_a_title_is_found(tmp_path):
    text = "Export der Klinik\n\n" + "\n".join(SCANS) + "\n"
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    source = tomllib.loads(draft_mapping(tmp_path / "a.csv").text_toml)["sources"]["source"]
    assert (source["header_line"], source["encoding"]) == (3, "utf-8")


def test_sheet_is_guessed(tmp_path):
    rows = [["Title"], [], *sheet_rows()]
    write_sheet(tmp_path, rows, change=lambda s: s.parent.create_sheet("Read me", 0).append(["x"]))
    draft = draft_mapping(tmp_path / "scans.xlsx")
    source = tomllib.loads(draft.text_toml)["sources"]["source"]
    assert (source["format"], source["sheet"], source["header_line"]) == ("xlsx", "Scans", 3)
    assert draft.summary[-1] == (
        "not in this draft: sheet 'Read me'; each needs a source of its own"
    )


def test_columns_with_the_formats_own_names_are_filled_in(tmp_path):
    text = "participant_id,site_id,sex,height\nP1,S01,female,170\n"
    (tmp_path / "a.csv").write_text(text)
    drafted = tomllib.loads(draft_mapping(tmp_path / "a.csv").text_toml)
    (block,) = [b for b in drafted["tables"] if b["table"] == "participants"]
    assert block["columns"]["participant_id"] == {"from": "participant_id"}
    assert block["columns"]["sex"] == {"from": "sex", "codes": {"female": "female"}}
    assert drafted["sources"]["source"]["ignore"] == []


def test_draft_stops_until_its_question_marks_are_filled(tmp_path):
    write_clinic(tmp_path)
    path = tmp_path / "draft.toml"
    path.write_text(draft_mapping(tmp_path / "people.csv").text_toml, encoding="utf-8")
    with pytest.raises(MappingError):
        read_mapping(path)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "latin-1", "utf-16"])
def test_usual_encodings_give_the_right_letters(encoding):
    text = "\n".join(PEOPLE * 5)
    data = text.encode(encoding)
    assert data.decode(guess_encoding(data)).removeprefix("\ufeff") == text


def test_delimiters_inside_quotes_do_not_count():
    lines = ["a;b", '"x,y,z";1', '"p,q,r";2']
    assert guess_delimiter(lines) == ";"


@pytest.mark.parametrize(
    "text", ['a"b', "a\\b", "a\nb\tc\rd", "'''", "\x00\x1f\x7f\x85\u2028", "日\U0001f600", "]\n[x]"]
)
def test_no_text_ends_its_toml_string(text):
    assert tomllib.loads(f"x = {toml_text(text)}") == {"x": text}


def test_hostile_headers_and_cells_stay_texts(tmp_path):
    (tmp_path / "a.csv").write_text('"x""]\n[evil]\na = 1";b\n"=cmd()\n[[rows.sites]]";2\n')
    drafted = tomllib.loads(draft_mapping(tmp_path / "a.csv").text_toml)
    assert set(drafted) <= {"mapping_version", "site_id", "rows", "sources", "tables"}
    assert len(drafted["rows"]["sites"]) == 1


@pytest.mark.parametrize("data", [b"", b"  \n"])
def test_empty_file(tmp_path, data):
    (tmp_path / "a.csv").write_bytes(data)
    with pytest.raises(SourceError, match="empty"):
        draft_mapping(tmp_path / "a.csv")


PICTURE = b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4
NO_TABLES = {
    "picture": (PICTURE, "a picture"),
    "pdf": (b"%PDF-1.7\n1 0 obj\n", "a PDF document"),
    "old workbook": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512), "an old workbook"),
    "packed": (b"\x1f\x8b\x08\x00", "gzip"),
    "web page": (b"\xef\xbb\xbf <html><table><tr><td>1</td></tr></table></html>", "a web page"),
    "rich text": (b"{\\rtf1 a}", "a text document"),
    "noise": (bytes(range(256)) * 8, "characters that no text has"),
}


@pytest.mark.parametrize(("data", "found"), NO_TABLES.values(), ids=NO_TABLES.keys())
def test_what_is_no_table_gives_no_skeleton(tmp_path, data, found):
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    with pytest.raises(SourceError, match="No mapping can be drafted") as caught:
        draft_mapping(path)
    assert found in caught.value.found
    assert caught.value.where == f"file '{path}'"
    assert ".csv or .xlsx" in caught.value.next_step


def test_a_file_that_begins_like_a_picture_is_text(tmp_path):
    (tmp_path / "a.csv").write_text("BMI;Alter\n21;30\n", encoding="utf-8")
    assert "#   BMI: 21" in draft_mapping(tmp_path / "a.csv").text_toml


def test_a_file_with_one_column_is_remarked_on(tmp_path):
    (tmp_path / "a.csv").write_text("some words\nand more\n", encoding="utf-8")
    assert any("only one column" in line for line in draft_mapping(tmp_path / "a.csv").summary)


def test_a_missing_file_is_no_matter_of_a_mapping(tmp_path):
    with pytest.raises(SourceError, match="there is no such file") as caught:
        draft_mapping(tmp_path / "no.csv")
    assert "in the mapping" not in str(caught.value)
