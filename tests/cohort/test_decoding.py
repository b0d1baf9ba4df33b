"""Only files inside the folder are opened, and only as the encoding that was declared."""

from __future__ import annotations

import os

import pytest

from cohortkit.cohort import decoding
from cohortkit.cohort.decoding import decode, known_encoding, path_fault, read_inside
from cohortkit.errors import SourceError

OUTSIDE = [
    "../x.csv", "a/../../x.csv", "..", ".", "", "/etc/passwd", "//server/share/x", "~/x.csv",
    "~root/x", "C:/x.csv", "c:x.csv", r"C:\x.csv", r"..\x.csv", r"\\server\share\x.csv",
    r"a\..\..\x", "a//x.csv", "./x.csv", "a/./x.csv", "a/.../x.csv", " /x.csv", "a/ /x",
    ".. /x.csv", "x.csv:stream", "\u2025/x.csv", "\uff0e\uff0e/x.csv", "\u2024\u2024/x.csv",
    "..\uff0fx.csv", "\uff3c\uff3cserver\uff3cx", "a\x00.csv", "a\n.csv", "\u202ex.csv",
    "\uff0fetc/passwd", "/dev/zero", "/proc/self/mem", "..\\..\\x", "a/..", "x/../..", "\ufe52\ufe52/x",
    "file:///etc/passwd", "http://example/x.csv",
]  # fmt: skip


@pytest.mark.parametrize("name", OUTSIDE)
def test_names_that_leave_the_folder_are_refused(tmp_path, name):
    folder = tmp_path / "clinic"
    folder.mkdir()
    (tmp_path / "x.csv").write_text("secret")
    assert path_fault(name)
    with pytest.raises(SourceError):
        read_inside(folder, name)


@pytest.mark.parametrize("name", ["x.csv", "a/b/x.csv", "größe 1.csv", "..x.csv", "x..csv"])
def test_names_inside_are_read(tmp_path, name):
    path = tmp_path / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"data")
    assert path_fault(name) == ""
    assert read_inside(tmp_path, name) == b"data"


def test_links_are_refused(tmp_path):
    (tmp_path / "clinic").mkdir()
    (tmp_path / "x.csv").write_text("secret")
    (tmp_path / "clinic" / "file.csv").symlink_to(tmp_path / "x.csv")
    (tmp_path / "clinic" / "folder").symlink_to(tmp_path)
    for name in ("file.csv", "folder/x.csv"):
        with pytest.raises(SourceError, match="is a link"):
            read_inside(tmp_path / "clinic", name)


def test_the_clinic_folder_itself_may_be_reached_by_a_link(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "x.csv").write_bytes(b"data")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    assert read_inside(tmp_path / "link", "x.csv") == b"data"


def test_what_is_no_ordinary_file_is_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    for name in ("pipe", "folder", "absent.csv", "n" * 300 + ".csv", "pipe/x.csv"):
        with pytest.raises(SourceError):
            read_inside(tmp_path, name)


def test_a_file_beyond_the_limit_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr(decoding, "MAX_FILE_BYTES", 1_000_000)
    with (tmp_path / "big.csv").open("wb") as stream:
        stream.truncate(2_000_000)
    with pytest.raises(SourceError, match="larger than 1 MB"):
        read_inside(tmp_path, "big.csv")


def test_line_ends_become_one_and_the_mark_goes(tmp_path):
    assert decode(b"\xef\xbb\xbfa\r\nb\n", "utf-8", "f") == "a\nb\n"
    assert decode("\ufeffa\r\nb".encode("utf-16-le"), "utf-16-le", "f") == "a\nb"


def test_undecodable_bytes_are_kept_for_their_record():
    assert decode(b"a\xff\nb", "utf-8", "f") == "a\udcff\nb"


def test_wide_encodings_have_to_fit():
    with pytest.raises(SourceError, match="not text in the declared encoding"):
        decode(b"abc", "utf-16", "f")


def test_a_wide_encoding_that_does_not_fit_is_placed():
    data = "a;b\nc".encode("utf-16") + b"\x00"
    with pytest.raises(SourceError) as caught:
        decode(data, "utf-16", "f.csv", "people")
    assert (
        caught.value.where == "file 'f.csv', line 2, byte 13 of the file"
    )  # by hand: 2 + 2 x 5 + 1
    assert "'encoding' under [sources.people]" in caught.value.next_step
    assert "cohortkit draft-mapping f.csv" in caught.value.next_step


def test_file_of_bare_carriage_returns_stops():
    with pytest.raises(SourceError, match="bare carriage returns"):
        decode(b"a\rb\rc", "ascii", "f")


@pytest.mark.parametrize("name", ["utf8", "UTF-8", "latin-1", "Windows-1252", "mac_roman", "cp437"])
def test_usual_encodings_are_known(name):
    assert known_encoding(name)


@pytest.mark.parametrize("name", ["rot13", "hex", "zlib", "unicode_escape", "utf-7", "idna", "x"])
def test_codecs_that_are_no_plain_text_encoding_are_not(name):
    assert known_encoding(name) is None
