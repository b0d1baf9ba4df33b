"""One declared format per column, no guessing."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cohortkit.cohort.dates import DateReader, unsupported
from cohortkit.cohort.sheets import DATE

DAY = dt.date(2021, 4, 3).toordinal()

READ = [
    ("%d.%m.%Y", "03.04.2021"),
    ("%d.%m.%Y", "3.4.2021"),
    ("%m/%d/%Y", "04/03/2021"),
    ("%Y-%m-%d", "2021-04-03"),
    ("%Y%m%d", "20210403"),
    ("%d%m%Y", "03042021"),
    ("%d.%m.%Y %H:%M", "03.04.2021 09:30"),
    ("Tag %d, Monat %m, %Y", "Tag 3, Monat 4, 2021"),
]


@pytest.mark.parametrize(("date_format", "text"), READ)
def test_declared_format_is_read(date_format, text):
    assert unsupported(date_format) == ""
    assert DateReader(date_format, from_sheet=False).read(text).ordinal == DAY


REFUSED = [
    ("%d.%m.%Y", "03.04.21"),
    ("%d.%m.%Y", "13.13.2021"),
    ("%d.%m.%Y", "2021-04-03"),
    ("%d.%m.%Y", " 03.04.2021"),
    ("%d.%m.%Y", "03.04.2021 "),
    ("%d.%m.%Y", "03.04.2021\n"),
    ("%d.%m.%Y", "０3.04.2021"),
    ("%d.%m.%Y", "29.02.2021"),
    ("%d.%m.%Y %H:%M", "03.04.2021 24:00"),
    ("%d%m%Y", "342021"),
    ("%d.%m.%Y", "03x04x2021"),
]


@pytest.mark.parametrize(("date_format", "text"), REFUSED)
def test_anything_else_is_not(date_format, text):
    read = DateReader(date_format, from_sheet=False).read(text)
    assert (read.ordinal, read.code) == (None, "date_not_in_format")


@pytest.mark.parametrize(
    "date_format", ["%d.%m.%y", "%d. %B %Y", "%d.%m.", "%d.%d.%m.%Y", "%x", "%d.%m.%Y%", "%j %Y"]
)
def test_formats_that_need_a_locale_or_a_guess_are_not_taken(date_format):
    assert unsupported(date_format)


def test_sheets_may_hold_true_dates_and_iso_text():
    reader = DateReader("%d.%m.%Y", from_sheet=True)
    assert reader.read("2021-04-03", DATE).ordinal == DAY
    assert reader.read("2021-04-03 08:15:00", DATE).ordinal == DAY
    assert reader.read("2021-04-03").ordinal == DAY
    assert reader.read("03.04.2021").ordinal == DAY
    assert reader.read("44289").code == "date_as_serial_number"


def test_other_order_is_noticed():
    reader = DateReader("%m/%d/%Y", from_sheet=False)
    only_other = reader.read("25/03/2021")
    assert (only_other.code, only_other.fits_exchanged) == ("date_not_in_format", True)
    assert reader.read("04/03/2021").fits_exchanged
    assert not reader.read("03/25/2021").fits_exchanged
    assert not reader.read("04/04/2021").fits_exchanged


@given(st.dates(min_value=dt.date(1900, 1, 1), max_value=dt.date(2100, 12, 31)))
def test_every_day_is_read_as_itself(day):
    text = f"{day.day:02d}.{day.month:02d}.{day.year}"
    assert DateReader("%d.%m.%Y", from_sheet=False).read(text).ordinal == day.toordinal()
