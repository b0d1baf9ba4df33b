"""Text written to do harm is text: it never runs, never leaves its place, never reaches a table."""

from __future__ import annotations

import csv
import re

import pytest

from cohortkit.cohort.draft import draft_mapping
from cohortkit.cohort.intake_folder import read_intake, write_intake
from cohortkit.cohort.mapping import read_mapping
from cohortkit.cohort.refused import write_refused
from cohortkit.cohort.validation import import_clinic
from cohortkit.errors import CohortkitError
from tests.cohort.clinic_files import MAPPING, PEOPLE, SCANS, write_clinic
from tests.cohort.test_traps import GOOD

CANARY = "canary.txt"
TEXTS = [
    f"=cmd|' /C echo > {CANARY}'!A0",
    f"$(touch {CANARY})",
    f"`touch {CANARY}`",
    f"| touch {CANARY}",
    f"__import__('os').system('touch {CANARY}')",
    f"@__import__('pathlib').Path('{CANARY}').touch()",
    "{0.__class__.__mro__}",
    "{{ self.__init__.__globals__ }}",
    "%(x)s %n %s",
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "'; DROP TABLE readings; --",
    "../../../etc/passwd",
    "..\\..\\boot.ini",
    "file:///etc/passwd",
    "\\input{/etc/passwd}",
    "+1+1",
    "-1+1",
    "@SUM(1+1)",
    "\t=1+1",
    "\u202egnp.exe",
    "a\u0000b",
    "\ufeff=1+1",
    "${jndi:ldap://x}",
    "True or True",
    "nan; inf",
    "I(1)+C(x)",
]
UTF8 = MAPPING.replace('encoding = "cp1252"', 'encoding = "utf-8"')
LIVE = ("=", "+", "-", "@", "\t", "\r")


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    yield tmp_path / "clinic"
    assert not list(tmp_path.rglob(CANARY))


@pytest.mark.parametrize("text", TEXTS)
def test_hostile_cells_are_refused_and_written_without_life(here, text):
    columns = list(GOOD)
    rows = [";".join(quoted(c) for c in (GOOD | {"ScanNr": f"t{n}", name: text}).values())
            for n, name in enumerate(columns)]  # fmt: skip
    people = [*PEOPLE, f"9;w;30;1,70;01.03.2021;{quoted(text)}"]
    path = write_clinic(here, people=people, scans=[*SCANS, *rows], mapping=UTF8, encoding="utf-8")
    intake = import_clinic(path)
    assert intake.counts.set_index("source").loc["scans", "refused"] == len(columns)
    for frame in intake.tables.values():
        for name in frame:
            for value in frame[name].dropna():
                assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*", str(value))
    assert write_intake(intake, here / "pool" / "S01") == "written"
    assert read_intake(here / "pool" / "S01").problems.equals(intake.problems)
    for written in write_refused(intake, here / "refused"):
        with written.open(encoding="utf-8", newline="") as stream:
            for row in csv.reader(stream, strict=True):
                assert not any(cell.startswith(LIVE) for cell in row)


@pytest.mark.parametrize("text", TEXTS)
def test_hostile_headers_stop_or_are_ignored(here, text):
    people = [PEOPLE[0].replace("Bemerkung", quoted(text)), *PEOPLE[1:]]
    path = write_clinic(here, people=people, mapping=UTF8, encoding="utf-8")
    with pytest.raises(CohortkitError):
        import_clinic(path)
    if "\0" not in text:
        draft_mapping(here / "people.csv")


PLACES = [
    'site_id = "S01"\n\n', 'country = "AT"', 'file = "people.csv"', 'encoding = "cp1252"', 'source = "people"\n[tables',
    'table = "participants"', 'from = "PatNr"', 'prefix = "P"', 'unit = "m"', 'date_format = "%d.%m.%Y"\n',
    '"w" = "female"', 'value = "D1"', 'participant = "PatNr"\n', 'blank_when = ["Ruhe"]', 'text_is = ["n.d."',
]  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
def test_hostile_mapping_values_stop_or_stay_texts(here, place):
    assert place in MAPPING
    for text in TEXTS[::3]:
        written = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
        head, _, tail = place.rpartition('"' + place.split('"')[-2] + '"')
        bent = MAPPING.replace(place, f'{head}"{written}"{tail}')
        path = write_clinic(here, mapping=bent)
        try:
            intake = import_clinic(path)
        except CohortkitError:
            continue
        assert intake.site_id == "S01"


@pytest.mark.parametrize("name", ["..", "a/b", "", "x" * 65, ".a", "mapping", "a b", "=1"])
def test_source_names_cannot_become_paths(here, name):
    bent = MAPPING.replace("[sources.people]", f'[sources."{name}"]').replace(
        'source = "people"', f'source = "{name}"'
    )
    path = write_clinic(here, mapping=bent)
    with pytest.raises(CohortkitError):
        read_mapping(path)
