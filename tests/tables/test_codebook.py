"""The codebook is whole, safe, and the committed one is up to date."""

from __future__ import annotations

import csv
import io
from html.parser import HTMLParser

import pytest

from cohortkit.errors import ArgumentError
from cohortkit.tables import codebook
from cohortkit.tables.canonical import from_csv_bytes
from cohortkit.tables.codebook import (
    codebook_html,
    codebook_markdown,
    codebook_rows,
    write_codebook,
    write_templates,
)
from cohortkit.tables.fields import Field
from cohortkit.tables.rules import rule_entries
from cohortkit.tables.schema import TABLE_NAMES, table


def test_every_field_has_its_row():
    book = codebook_rows()
    expected = [(name, f.name) for name in TABLE_NAMES for f in table(name).fields]
    assert list(zip(book["table"], book["column"], strict=True)) == expected
    gap = book.set_index("column").loc["gap_mm"]
    assert (gap["unit"], gap["minimum"], gap["maximum"]) == ("mm", "0", "12")
    assert book.set_index("column").loc["scan_day", "required"]


def test_pages_hold_every_table_column_code_rule_and_definition():
    markdown, page = codebook_markdown(), codebook_html()
    for name in TABLE_NAMES:
        for field in table(name).fields:
            assert f"`{field.name}`" in markdown
            assert f'id="{name}.{field.name}"' in page
            for code in field.codes:
                assert f"`{code}`" in markdown
                assert f"<dt>{code}</dt>" in page
    for rule in rule_entries():
        assert f'<a id="{rule.id}"></a>' in markdown
        assert f'<tr id="{rule.id}">' in page


class Page(HTMLParser):
    """Collects what a page opens, closes and fetches."""

    def __init__(self):
        super().__init__()
        self.open, self.fetched, self.ids = [], [], []

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.ids += [values["id"]] if "id" in values else []
        self.fetched += [values[k] for k in ("src", "href") if k in values]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_page_is_well_formed_and_fetches_nothing():
    page = Page()
    page.feed(codebook_html())
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))
    assert all(link.startswith("#") and link[1:] in page.ids for link in page.fetched)


def test_texts_are_escaped(monkeypatch):
    evil = Field(
        name="gap_mm",
        type="string",
        title="<script>alert(1)</script>",
        definition="a|b `c` *d* <img src=x> & e.",
        unit=None,
        required=False,
        minimum=None,
        maximum=None,
        codes={"x": "<b>bold</b> | pipe"},
        pattern=None,
        missing_codes={"": "<i>"},
    )
    schema = table("sites")
    changed = type(schema)(**{**vars(schema), "fields": (evil,)})
    monkeypatch.setattr(codebook, "table", lambda name: changed)
    page, markdown = codebook_html(), codebook_markdown()
    for text in (page, markdown):
        assert "<script>" not in text
        assert "<img" not in text
        assert "<b>" not in text
    assert r"a\|b \`c\` \*d\* &lt;img src=x&gt; &amp; e." in markdown
    row = next(line for line in markdown.splitlines() if line.startswith("| `gap_mm`"))
    assert row.replace(r"\|", "").count("|") == 5


def test_markdown_tables_have_even_rows():
    lines = [line for line in codebook_markdown().splitlines() if line.startswith("|")]
    widths = {line.replace(r"\|", "").count("|") for line in lines}
    # by hand: four, five and two columns have five, six and three bars
    assert widths == {5, 6, 3}


def test_committed_pages_are_up_to_date(repository, tmp_path):
    committed = repository / "docs" / "tables"
    written = [*write_codebook(tmp_path), *write_templates(tmp_path / "templates")]
    for path in written:
        other = committed / path.relative_to(tmp_path)
        assert other.read_bytes() == path.read_bytes(), f"write {other.name} again"
    names = {p.relative_to(committed) for p in committed.rglob("*.*") if p.is_file()}
    assert names == {p.relative_to(tmp_path) for p in written}


def test_the_csv_reads_as_the_rows(tmp_path):
    write_codebook(tmp_path)
    text = (tmp_path / "codebook.csv").read_text(encoding="utf-8")
    header, *rows = csv.reader(io.StringIO(text, newline=""))
    book = codebook_rows()
    assert header == list(book.columns)
    assert [row[2] for row in rows] == book["column"].tolist()


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_templates_are_empty_tables(name, tmp_path):
    write_templates(tmp_path)
    frame = from_csv_bytes((tmp_path / f"{name}.csv").read_bytes(), name)
    assert len(frame) == 0
    assert tuple(frame.columns) == table(name).column_names


@pytest.mark.parametrize(
    ("write", "name"), [(write_templates, "scans.csv"), (write_codebook, "codebook.md")]
)
def test_a_file_that_was_filled_in_is_never_overwritten(tmp_path, write, name):
    paths = write(tmp_path)
    assert write(tmp_path) == paths
    filled = (tmp_path / name).read_bytes() + b"S1\n"
    (tmp_path / name).write_bytes(filled)
    gone = next(path for path in paths if path.name != name)
    gone.unlink()
    with pytest.raises(ArgumentError, match=name.replace(".", r"\.")):
        write(tmp_path)
    assert (tmp_path / name).read_bytes() == filled
    assert not gone.exists()
