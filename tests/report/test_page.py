import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import pandas as pd
import pytest

from cohortkit.estimate import Caution, Estimate, Result
from cohortkit.report import page, record_tables
from cohortkit.report.answer import gather
from cohortkit.report.grid import Table
from tests.report.conftest import NOTICE

ATTACK = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'{{7*7}}"


class Reader(HTMLParser):
    """Collects tags with their attributes, and the text."""

    def __init__(self):
        super().__init__()
        self.tags, self.text = [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_data(self, data):
        self.text.append(data)

    def named(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


def read(html):
    reader = Reader()
    reader.feed(html)
    return reader


@pytest.fixture(scope="module")
def html(release, plan, every_answer, tmp_path_factory):
    target = tmp_path_factory.mktemp("page") / "new" / "report.html"
    path = page.write_report(release, target, plan=plan, answers=every_answer)
    assert path == target
    return path.read_text(encoding="utf-8")


def test_the_page_needs_no_network(html):
    reader = read(html)
    for name in ("script", "link", "iframe", "object", "embed"):
        assert reader.named(name) == []
    addresses = [a[k] for _, a in reader.tags for k in ("src", "href") if k in a]
    assert all(address.startswith(("data:image/svg+xml;base64,", "#")) for address in addresses)
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert "default-src 'none'" in html


def test_the_page_can_be_read_by_everyone(html):
    reader = read(html)
    assert reader.named("html") == [{"lang": "en"}]
    assert all(len(image["alt"]) > 40 for image in reader.named("img"))
    assert len(reader.named("img")) == 7  # by hand: seven figures
    assert len(reader.named("h1")) == 1
    anchors = {a["href"][1:] for a in reader.named("a")}
    assert anchors <= {a["id"] for _, a in reader.tags if "id" in a}
    assert len(anchors) >= 10
    assert all(cell["scope"] in ("col", "row") for cell in reader.named("th"))
    assert "width=device-width" in html
    assert "@media print" in html


def test_the_page_says_what_it_must(html, release, plan, every_answer):
    text = " ".join("".join(read(html).text).split())
    for words in (
        "not a diagnostic device", "rules nothing out", "licensed clinicians", "ethics approval",
        NOTICE, release.release_hash, plan.sha256, str(plan.seed),
        "a value above the largest allowed", "provenance.csv", "Counts below 5 are hidden",
    ):  # fmt: skip
        assert words in text
    for answer in every_answer.values():
        for line in (*answer.findings, *answer.cautions):
            assert " ".join(line.split()) in text


class Visible(HTMLParser):
    """Text that a reader sees or hears, without code, style and file names."""

    SILENT = ("style", "code")

    def __init__(self):
        super().__init__()
        self.inside, self.text = [], []

    def handle_starttag(self, tag, attributes):
        if tag in self.SILENT:
            self.inside.append(tag)
        given = dict(attributes)
        self.text += [given[name] for name in ("alt", "aria-label") if name in given]

    def handle_endtag(self, tag):
        if self.inside and tag == self.inside[-1]:
            self.inside.pop()

    def handle_data(self, data):
        if not self.inside:
            self.text.append(data)


def machine_words(text):
    """Snake case, attributes and arguments; file names are none."""
    bare = re.sub(r"[\w/]+\.(?:csv|json|md)\b", "", text)
    return re.findall(r"\w+_\w+|(?<!\w)\.[a-z]\w+|\w+=['\"\[]", bare)


def test_the_page_says_no_word_that_only_machines_use(html):
    reader = Visible()
    reader.feed(html)
    assert len(reader.text) > 500
    assert machine_words("\n".join(reader.text)) == []
    # by hand: one of each kind, and a file name
    said = "lr_negative; see .left_out; scale='log'; flow_x.csv"
    assert machine_words(said) == ["lr_negative", ".left_out", "scale='"]


def test_refused_records_add_up_reason_by_reason_and_site_by_site(release):
    refused = record_tables.record_tables(release)[1]
    *rows, total = [[int(cell) for cell in row[1:]] for row in refused.rows]
    assert total == [sum(column) for column in zip(*rows, strict=True)]
    assert all(row[-1] == sum(row[:-1]) for row in [*rows, total])
    flow = release.flow
    counted = flow[(flow["unit"] == "records") & (flow["step"] == "refused")]["n"].sum()
    assert total[-1] == counted


def test_a_record_with_two_reasons_counts_once_and_the_page_says_so(release):
    twice = release.refusals
    twice = pd.concat([twice, twice[twice["severity"] == "refuse"]], ignore_index=True)
    several = SimpleNamespace(
        flow=release.flow, refusals=twice, duplicates=release.duplicates, manifest={}
    )
    refused = record_tables.record_tables(several)[1]
    # by hand: the fixture refuses one record, here with two problems
    assert refused.rows[-1][-1] == "1"
    assert "there are 2 for these 1 records" in refused.note


def test_everybody_not_at_the_start_of_a_set_is_counted_with_the_reason(release, every_answer):
    chosen = every_answer["fig5_outcomes"].sets[0]
    people = release.tables["participants"]["participant_id"]
    hurt = release.tables["episodes"]["participant_id"].nunique()
    told = page._set_table("x", chosen, len(people)).note
    without = f"{len(people) - hurt} of the {len(people)} participants"
    assert told == f"Not counted here: {without} of the release, without an injury episode."
    assert page._set_table("x", chosen, hurt).note == ""


def test_notices_stand_on_the_page_the_figures_and_their_stamps(html, drawn, release):
    top = html[: html.index('<h2 id="about">')]
    assert NOTICE in top
    for stamp in drawn.glob("*.json"):
        assert json.loads(stamp.read_text("utf-8"))["notices"] == [NOTICE]
    assert NOTICE in (drawn / "grras.md").read_text("utf-8")
    assert release.notices == (NOTICE,)


def test_numbers_at_risk_stand_in_a_table(html):
    text = "".join(read(html).text)
    assert "Numbers at risk: When do climbers return to full climbing?" in text
    assert "grade=" not in text


def test_figures_already_drawn_are_taken_if_their_stamp_is_ours(
    release, plan, every_answer, drawn, tmp_path, html
):
    folder = shutil.copytree(drawn, tmp_path / "figures")
    with_folder = page.write_report(
        release, tmp_path, plan=plan, answers=every_answer, figures=folder
    )
    assert with_folder.name == "report.html"
    assert with_folder.read_text(encoding="utf-8") == html
    stale = folder / "fig1_flow.json"
    stale.write_text(stale.read_text(encoding="utf-8").replace("release_hash", "x"), "utf-8")
    (folder / "fig1_flow.svg").write_text("<svg>another</svg>", "utf-8")
    again = page.write_report(release, tmp_path, plan=plan, answers=every_answer, figures=folder)
    assert again.read_text(encoding="utf-8") == html


def hostile_answer(answer):
    estimate = Estimate(ATTACK, 1.0, 0.5, 2.0, 0.95, "mm", ATTACK, ATTACK, 3, 3, 3)
    bad = Result(ATTACK, (estimate,), (Caution(ATTACK, ATTACK),))
    parts = gather({(ATTACK, ATTACK): bad, (ATTACK, "other"): ATTACK})
    flow = pd.DataFrame({"step": [ATTACK], "reason": [ATTACK], "participants": [3]})
    sets = tuple(replace(one, question=ATTACK, flow=flow) for one in answer.sets)
    return replace(
        answer,
        question=ATTACK,
        findings=(ATTACK,),
        sets=sets,
        set_names=tuple(ATTACK for _ in sets),
        **parts,
    )


class Hostile:
    """A release whose every text is an attack."""

    def __init__(self, release):
        self.tables = {
            "participants": release.tables["participants"].assign(site_id=ATTACK),
            "episodes": release.tables["episodes"],
        }
        self.flow = release.flow.assign(site_id=ATTACK, reason=ATTACK)
        self.refusals = release.refusals.assign(site_id=ATTACK, code=ATTACK, source=ATTACK)
        self.duplicates = release.duplicates
        self.manifest = {"corrected_records": {ATTACK: 1}}
        self.sites = self.notices = (ATTACK,)
        self.label = self.release_hash = self.schema_version = ATTACK


def test_hostile_text_is_shown_and_never_live(release, plan, every_answer):
    bad = {name: hostile_answer(answer) for name, answer in every_answer.items()}
    svg = b'<svg width="10pt" height="5pt"><script>alert(3)</script></svg>'
    html = page.render(
        Hostile(release), replace(plan, title=ATTACK, sha256=ATTACK), bad,
        dict.fromkeys(bad, svg),
    )  # fmt: skip
    reader = read(html)
    assert reader.named("script") == []
    assert all(
        image["src"].startswith("data:image/svg+xml;base64,") for image in reader.named("img")
    )
    assert not any(k.startswith("on") for _, a in reader.tags for k in a)
    assert "49" not in re.findall(r"\b49\b", "".join(reader.text))
    assert "".join(reader.text).count("<script>alert(1)</script>") > 20


def test_a_picture_gives_its_size_in_css_pixels():
    assert page._size(b'<svg height="72pt" width="144pt">') == (192, 96)  # by hand: 96/72 px a pt
    assert page._size(b'<svg width="144pt" height="72pt">') == (192, 96)  # by hand: 96/72 px a pt


def test_tables_behind_an_answer_are_folded_on_a_screen_and_open_on_paper(html):
    tables = html.count("<table")
    folded = html.count("<details>")
    assert tables > folded > 10
    assert html.count("<summary") == html.count("</details>") == folded
    print_style = html[html.index("@media print") : html.index("</style>")]
    assert "details::details-content { content-visibility: visible" in print_style


def test_table_1_wraps_on_a_phone_and_only_there(html):
    wrapping = [t["aria-label"] for t in read(html).named("table") if t.get("class") == "wraps"]
    assert wrapping == ["Participants by injury"]
    style = html[html.index("<style>") : html.index("</style>")]
    phone = re.search(r"@media screen and \(max-width: 48rem\) \{(.*?)\n\}", style, flags=re.DOTALL)
    assert ".wraps th, .wraps td { white-space: normal; min-width: 0;" in phone[1]
    assert ".wraps" not in style.replace(phone[0], "")


def test_only_columns_of_single_numbers_align_right():
    rows = [["S01", "1,247", "0.5 mm", "[0.1, 0.2]"], ["S02", "-3", "1", "3"]]
    assert Table("", ["site", "n", "value", "interval"], rows).numeric == [False, True, True, False]
