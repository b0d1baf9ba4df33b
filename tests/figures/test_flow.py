import pandas as pd
import pytest

from cohortkit.figures import flow
from cohortkit.tables.canonical import to_csv_bytes
from tests.figures import results

STEPS = ("read", "accepted", "refused", "blank")


def release_flow():
    rows = []
    for site, counts in {"S01": (1200, 1100, 90, 10), "S02": (30, 29, 1, 0)}.items():
        for step, n in zip(STEPS, counts, strict=True):
            reason = "above_maximum" if step == "refused" else ""
            rows.append((step, site, "records", n, reason))
        rows += [
            ("released", site, "participants", 50, ""),
            ("released", site, "readings", 800, ""),
        ]
    return pd.DataFrame(rows, columns=["step", "site_id", "unit", "n", "reason"])


def set_flow(reason="younger than 18 years"):
    return pd.DataFrame(
        {
            "step": ["eligible at start", "left out", "left out", "in the set"],
            "reason": ["", reason, "nobody at all", ""],
            "participants": [100, 4, 0, 96],
            "fingers": [110, 5, 0, 105],
            "readings": [1600, 40, 0, 1560],
        }
    )


@pytest.fixture(scope="module")
def source():
    return flow.source(release_flow(), {f"Question: set {i}": set_flow() for i in range(5)})


def test_source_adds_up_site_by_site(source):
    records = source[source["panel"] == "records"].pivot(index="series", columns="mark", values="y")
    assert (records["read"] == records["accepted"] + records["refused"] + records["blank"]).all()
    assert records.loc["S01", "read"] == 1200


def test_figure_tells_counts_reasons_and_sites(source):
    text = results.all_text(flow.draw(source))
    for words in (
        "Records read: 1,230 from 2 sites",
        "S01: 1,200 = 1,100 + 90 + 10",
        "91  a value above the largest allowed",
        "100 participants",
        "4 / 5 / 40",
        "younger than 18 years",
        "96 participants",
    ):
        assert words in text
    assert "nobody at all" not in text


def test_nothing_is_clipped_and_no_font_too_small(source):
    figure = flow.draw(source, ["Release abc. " * 20])
    assert results.outside(figure) == []
    assert results.smallest_font(figure) >= 6


def arrows(figure):
    """Start and end of every arrow, in mm."""
    return [(a.xyann, a.xy) for a in figure.axes[0].texts if getattr(a, "arrow_patch", None)]


def test_an_arrow_leads_from_the_records_read_to_those_refused(source):
    sideways = [(start, end) for start, end in arrows(flow.draw(source)) if start[1] == end[1]]
    assert len(sideways) == 1
    (_, y), (x, _) = sideways[0]
    boxes = [p.get_bbox() for p in flow.draw(source).axes[0].patches]
    hit = [b for b in boxes if abs(b.x0 - x) < 1e-6 and b.y0 < y < b.y1]
    assert len(hit) == 1


def test_an_arrow_leads_from_the_release_to_each_set_of_the_first_row(source):
    ends = [end for start, end in arrows(flow.draw(source)) if start[0] == end[0]]
    tops = [b.get_bbox().y1 for b in flow.draw(source).axes[0].patches]
    # by hand: 2 below the records, 4 into sets, 2 inside each of the 5 sets
    assert len(ends) == 2 + 4 + 2 * 5
    assert all(min(abs(y - top) for top in tops) < 1e-6 for _, y in ends)


def test_who_has_a_reading_stands_below_the_participants():
    made = flow.source(release_flow(), {"Q": set_flow()}, {"with a reading": 99})
    assert "100 participants\n    99 with a reading" in results.all_text(flow.draw(made))


def test_no_text_covers_another(source):
    assert results.overlaps(flow.draw(source, ["Release abc. " * 20])) == []


def test_long_reasons_stay_inside_their_box():
    rows = release_flow()
    rows.loc[rows["step"] == "refused", "reason"] = "reference_structure_fits_pulley"
    four = set_flow().assign(episodes=[100, 4, 0, 96])
    figure = flow.draw(flow.source(rows, {f"Q: {i}": four for i in range(4)}))
    assert results.overlaps(figure) == []


def test_a_unit_that_the_set_does_not_count_is_not_shown():
    without = set_flow().assign(readings=pd.NA)
    text = results.all_text(flow.draw(flow.source(release_flow(), {"Outcome": without})))
    assert "participants / fingers\n" in text
    assert "4 / 5\n" in text


def test_the_same_source_gives_the_same_bytes(source):
    assert results.svg(flow.draw(source)) == results.svg(flow.draw(source.copy()))
    assert b"Question" in to_csv_bytes(source)


def test_a_broken_rule_is_not_told_as_if_it_held():
    rows = release_flow()
    rows.loc[rows["step"] == "refused", "reason"] = "gap_above_zero"
    source = flow.source(rows, {"Q": set_flow()})
    assert "a gap of exactly zero not marked as below resolution" in set(source["label"])
