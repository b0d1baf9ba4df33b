"""A wrong mapping stops before any clinic file is opened, and names every fault with its line."""

from __future__ import annotations

import pytest

from cohortkit.cohort.mapping import read_mapping
from cohortkit.errors import MappingError
from tests.cohort.clinic_files import MAPPING, write_clinic


def read(tmp_path, text: str):
    path = tmp_path / "mapping.toml"
    path.write_text(text, encoding="utf-8")
    return read_mapping(path)


def line_in(text: str, piece: str) -> int:
    return text[: text.index(piece)].count("\n") + 1


def test_a_mapping_in_full(tmp_path):
    mapping = read(tmp_path, MAPPING)
    assert mapping.site_id == "S01"
    assert list(mapping.sources) == ["people", "scans"]
    assert [block.table for block in mapping.blocks] == [
        "participants", "scans", "readings", "readings",
    ]  # fmt: skip
    rest, loaded = mapping.blocks[2:]
    assert rest.columns["load"].value == "rest"
    assert loaded.columns["gap_mm"].columns == ("Last",)
    assert loaded.columns["pulley"] == rest.columns["pulley"]
    assert (rest.blank_when, loaded.blank_when) == (("Ruhe",), ("Last",))
    assert len(mapping.rows) == 4
    assert mapping.rows[0].line == line_in(MAPPING, "[[rows.sites]]")
    assert mapping.cells_read("people") == {"PatNr", "Geschlecht", "Alter", "Größe", "Einschluss"}


FAULTS = {
    "unknown key": ("decimal = \",\"", "dezimal = \",\"", "unknown key 'dezimal'; did you mean 'decimal'?"),
    "unknown format": ('format = "csv"', 'format = "ods"', "has to be one of 'csv', 'xlsx'"),
    "key of the other format": (
        'delimiter = ";"', 'delimiter = ";"\nsheet = "A"', "does not go together",
    ),
    "missing key": ('encoding = "cp1252"\n', "", "key 'encoding' is missing"),
    "wrong type": ("header_line = 1", 'header_line = "1"', "has to be a whole number"),
    "unknown table": ('table = "scans"', 'table = "scanz"', "has to be one of 'sites'"),
    "unknown column": ("age_years =", "age_yaers =", "did you mean 'age_years'?"),
    "unknown source": ('source = "people"\n[tables', 'source = "peple"\n[tables', "did you mean 'people'?"),
    "unknown code": ('"w" = "female"', '"w" = "frau"', "'frau'"),
    "code of another type": ('"ja" = true', '"ja" = "yes"', "is yes or no"),
    "unit of another kind": ('unit = "m"', 'unit = "N"', "cannot be turned into cm"),
    "unit of no number": (
        'side = { from = "Seite", codes', 'side = { from = "Seite", unit = "cm", codes',
        "does not go together",
    ),
    "two ways at once": (
        'rater_id = { from = "Arzt" }', 'rater_id = { from = "Arzt", value = "R1" }',
        "exactly one of the keys 'from', 'join' and 'value'",
    ),
    "no way at all": ('rater_id = { from = "Arzt" }', "rater_id = { }", "exactly one of the keys"),
    "not a table": ('rater_id = { from = "Arzt" }', 'rater_id = "Arzt"', "exactly one of the keys"),
    "constant out of range": ("read_no = { value = 1 }", "read_no = { value = 0 }", "below the least"),
    "required column not filled": ('rater_id = { from = "Arzt" }\n', "", "needs rater_id"),
    "date without participant": (', participant = "PatNr" }', " }", "key 'participant' is missing"),
    "two-digit years": (
        'date_format = "%d.%m.%Y"\n', 'date_format = "%d.%m.%y"\n', "%y is not known",
    ),
    "text_is of a number": (
        'gap_mm = { from = "Ruhe", unit = "cm" }', 'gap_mm = { from = "Ruhe", text_is = ["x"] }',
        "fits yes/no columns only",
    ),
    "prefix of a coded column": (
        'pulley = { from = "Band" }', 'pulley = { from = "Band", prefix = "A" }', "no free code",
    ),
    "date for a gap": (
        'gap_mm = { from = "Ruhe", unit = "cm" }',
        'gap_mm = { from = "Ruhe", date_format = "%d.%m.%Y", participant = "PatNr" }',
        "does not count days",
    ),
    "unknown encoding": ('encoding = "cp1252"', 'encoding = "rot13"', "no text encoding"),
    "path that leaves": ('file = "people.csv"', 'file = "../people.csv"', "leaves its folder"),
    "delimiter that is the quote": ('delimiter = ";"', "delimiter = '\"'", "line end or the quote"),
    "site without a row": ('site_id = "S01"\n\n', 'site_id = "S09"\n\n', "no row of the table 'sites'"),
    "column of an inline row": ("transducer_mhz = 18", "transducer = 18", "did you mean"),
    "version": ("mapping_version = 1", "mapping_version = 2", "has to be 1"),
    "site of strange letters": ('site_id = "S01"\n\n', 'site_id = "../S01"\n\n', "letters without accents"),
    "name kept for typed rows": ("[sources.people]", "[sources.mapping]", "is kept for rows typed"),
}  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), FAULTS.values(), ids=FAULTS.keys())
def test_each_fault_is_named_with_its_line(tmp_path, old, new, message):
    mapping = MAPPING.replace('file = "people.csv"\n', 'file = "people.csv"\nheader_line = 1\n')
    assert old in mapping
    text = mapping.replace(old, new, 1)
    with pytest.raises(MappingError) as caught:
        read(tmp_path, text)
    told = str(caught.value)
    assert message in told
    assert caught.value.where.startswith(f"file '{tmp_path / 'mapping.toml'}', line")
    assert caught.value.exit_code == 3


def test_line_of_the_fault_is_right(tmp_path):
    text = MAPPING.replace('unit = "m"', 'unit = "N"')
    line = line_in(text, 'unit = "N"')
    with pytest.raises(MappingError) as caught:
        read(tmp_path, text)
    assert caught.value.where.endswith(f"line {line}, [[tables]] no. 1, columns.height_cm.unit")
    assert caught.value.found.startswith("'N' cannot be turned into cm")


@pytest.mark.parametrize(
    ("cut", "heading", "place"),
    [
        ('site_id = "S01"\n\n', "mapping_version", "top level, above the first heading"),
        ("mapping_version = 1\n", "site_id", "top level, above the first heading"),
        ('encoding = "cp1252"\n', "[sources.people]", "sources.people"),
        ('date = "Einschluss"\n', "[enrolment]", "enrolment"),
        ('table = "scans"\n', '[[tables]]\nsource = "scans"', "[[tables]] no. 2"),
    ],
)
def test_a_missing_key_is_placed_at_its_heading(tmp_path, cut, heading, place):
    text = MAPPING.replace(cut, "", 1)
    with pytest.raises(MappingError) as caught:
        read(tmp_path, text)
    path, line = tmp_path / "mapping.toml", line_in(text, heading)
    assert caught.value.where.startswith(f"file '{path}', line {line}, {place}")
    key = cut.partition(" ")[0]
    assert caught.value.found == f"key '{key}' is missing"


def test_several_faults_name_line_and_key_each(tmp_path):
    text = MAPPING.replace('site_id = "S01"\n\n', "", 1).replace("decimal", "dezimal", 1)
    with pytest.raises(MappingError) as caught:
        read(tmp_path, text)
    first, second = caught.value.found.split("; line ")
    assert first.startswith("line 1, top level")
    assert second.startswith(f"{line_in(text, 'dezimal')}, sources.people.dezimal: unknown key")


@pytest.mark.parametrize("name", ["../S01", "a b", "x" * 65])
def test_forms_are_told_in_words(tmp_path, name):
    with pytest.raises(MappingError, match="letters without accents, digits") as caught:
        read(tmp_path, MAPPING.replace('site_id = "S01"\n\n', f'site_id = "{name}"\n\n', 1))
    assert "[A-Z" not in str(caught.value)


def test_all_faults_come_at_once(tmp_path):
    text = (
        MAPPING.replace('"w" = "female"', '"w" = "frau"')
        .replace("age_years =", "age_yaers =")
        .replace('unit = "m"', 'unit = "N"')
    )
    with pytest.raises(MappingError, match="3 faults"):
        read(tmp_path, text)


def test_two_sources_of_one_file_would_count_twice(tmp_path):
    text = MAPPING.replace('file = "scans.csv"', 'file = "people.csv"')
    with pytest.raises(MappingError, match="would count twice"):
        read(tmp_path, text)


def test_source_that_nothing_reads(tmp_path):
    more = '[sources.more]\nfile = "m.csv"\nformat = "csv"\nencoding = "ascii"\ndelimiter = ","\n'
    with pytest.raises(MappingError, match="no block reads this source"):
        read(tmp_path, MAPPING.replace("[enrolment]", more + "[enrolment]"))


def test_dates_need_an_enrolment(tmp_path):
    start = MAPPING.index("[enrolment]")
    text = MAPPING[:start] + MAPPING[MAPPING.index("[[tables]]") :]
    with pytest.raises(MappingError, match="where day 0 stands"):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"a = 1\nb = = 2\n", ", line 2, column 5"),
        (b"a = 1\nb = '\xff'\n", ", line 2"),
        (b"a = 1\na = 2\n", ", line 2, column 6"),
        (b'a = 1\nb = """x\n', ", line 2 (the end)"),
        (b"a = " + b"[" * 5_000, ""),
        (b"#" * 2_000_001, ""),
    ],
    ids=["syntax", "encoding", "twice", "open", "deep", "long"],
)
def test_what_is_no_toml(tmp_path, data, found):
    path = tmp_path / "mapping.toml"
    path.write_bytes(data)
    with pytest.raises(MappingError, match="not TOML in UTF-8") as caught:
        read_mapping(path)
    assert caught.value.where == f"file '{path}'{found}"
    assert "(at " not in str(caught.value)


def test_data_given_as_mapping_are_told_apart(tmp_path):
    write_clinic(tmp_path)
    with pytest.raises(MappingError, match=r"ends in \.toml, not its data"):
        read_mapping(tmp_path / "people.csv")


@pytest.mark.parametrize("kind", ["absent", "folder"])
def test_a_mapping_that_cannot_be_opened_is_called_one(tmp_path, kind):
    path = tmp_path / "no.toml"
    if kind == "folder":
        path.mkdir()
    with pytest.raises(MappingError, match="The mapping file cannot be opened") as caught:
        read_mapping(path)
    assert str(path) in caught.value.where
    assert (
        caught.value.found == {"absent": "there is no such file", "folder": "it is a folder"}[kind]
    )
    assert "clinic's file cannot" not in str(caught.value)
