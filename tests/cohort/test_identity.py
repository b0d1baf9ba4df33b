"""Codes instead of ids: two modes, private files, keys between tables that still fit."""

from __future__ import annotations

import base64
import csv
import hashlib
import itertools
import os
import re
import stat

import pytest

from cohortkit.cohort.identity import CODED, IdCoding, code_tables, id_names
from cohortkit.cohort.locking import writer_lock
from cohortkit.cohort.pooling import pool
from cohortkit.errors import ArgumentError, CohortkitError, ReleaseError
from cohortkit.tables.rules import judge
from tests.cohort.clinics import clinic, small, small_rows, two_clinics

NAMES = [("S01", "participant", "7"), ("S02", "participant", "7"), ("S01", "scan", "7")]
CODE = re.compile(r"[A-Z2-7]{16}")


@pytest.fixture(params=["random", "hmac"])
def coding(request, tmp_path):
    return IdCoding.open(request.param, tmp_path / "secret")


def hmac_sha256(key: bytes, message: bytes) -> bytes:
    """The keyed hash written out from its definition, RFC 2104 section 2."""
    block = key.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + message).digest()
    return hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).digest()


def test_hmac_codes_follow_their_definition(tmp_path):
    path = tmp_path / "key"
    path.write_text("0b" * 32)
    path.chmod(0o600)
    codes = IdCoding.open("hmac", path).codes(NAMES)
    for site, kind, own in NAMES:
        digest = hmac_sha256(b"\x0b" * 32, f"{site}\x1f{kind}\x1f{own}".encode())
        assert codes[(site, kind, own)] == base64.b32encode(digest).decode()[:16]


def test_codes_are_sixteen_digits_and_differ_by_site_and_kind(coding):
    codes = coding.codes(NAMES)
    assert all(CODE.fullmatch(code) for code in codes.values())
    assert len(set(codes.values())) == 3


def test_codes_are_the_same_in_every_call_and_order(coding):
    first = coding.codes(NAMES)
    again = IdCoding.open(coding.mode, coding.path).codes(reversed(NAMES))
    assert again == first


def test_new_ids_leave_old_random_codes_as_they_are(tmp_path):
    coding = IdCoding.open("random", tmp_path / "codes.csv")
    old = coding.codes(NAMES)
    new = coding.codes([*NAMES, ("S03", "rater", "R1")])
    assert {name: new[name] for name in NAMES} == old
    with (tmp_path / "codes.csv").open(newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["site_id", "kind", "id", "code"]
    assert {tuple(row[:3]): row[3] for row in rows[1:]} == new


def test_random_codes_are_not_derived_from_the_id(tmp_path):
    one = IdCoding.open("random", tmp_path / "one.csv").codes(NAMES)
    two = IdCoding.open("random", tmp_path / "two.csv").codes(NAMES)
    assert not set(one.values()) & set(two.values())


def test_another_key_gives_other_codes(tmp_path):
    one = IdCoding.open("hmac", tmp_path / "one").codes(NAMES)
    two = IdCoding.open("hmac", tmp_path / "two").codes(NAMES)
    assert not set(one.values()) & set(two.values())


def test_a_hundred_thousand_ids_give_as_many_codes(coding):
    names = [("S01", "reading", str(n)) for n in range(100_000)]
    assert len(set(coding.codes(names).values())) == 100_000


def test_neighbouring_ids_share_no_more_digits_than_chance(tmp_path):
    coding = IdCoding.open("hmac", tmp_path / "key")
    names = [("S01", "participant", f"{n:07d}") for n in range(5_000)]
    codes = list(coding.codes(names).values())
    same = sum(a == b for x, y in itertools.pairwise(codes) for a, b in zip(x, y, strict=True))
    share = same / (16 * 4_999)
    # by hand: chance is 1 in 32; its standard error over 79,984 digits is 0.0006
    assert abs(share - 1 / 32) < 5 * 0.0006


def test_files_are_private(coding):
    coding.codes(NAMES)
    assert stat.S_IMODE(os.stat(coding.path).st_mode) == 0o600


def test_a_key_is_32_random_bytes(tmp_path):
    IdCoding.open("hmac", tmp_path / "key").codes(NAMES)
    assert len(bytes.fromhex((tmp_path / "key").read_text())) == 32


def test_a_folder_made_for_the_file_is_private_too(tmp_path):
    IdCoding.open("random", tmp_path / "site_held" / "codes.csv").codes(NAMES)
    assert stat.S_IMODE((tmp_path / "site_held").stat().st_mode) == 0o700


def test_nothing_is_written_before_codes_are_kept(coding, tmp_path):
    drawn = coding.draw(NAMES)
    assert list(tmp_path.iterdir()) == []
    drawn.keep()
    assert coding.codes(NAMES) == drawn.codes
    before = coding.path.read_bytes()
    more = coding.draw([*NAMES, ("S03", "rater", "R1")])
    assert coding.path.read_bytes() == before
    more.keep()
    assert coding.codes([("S03", "rater", "R1")])["S03", "rater", "R1"] in more.codes.values()


def test_codes_drawn_from_a_file_that_changed_since_are_not_kept(coding):
    first, second = coding.draw(NAMES), coding.draw(NAMES)
    first.keep()
    kept = coding.path.read_bytes()
    with pytest.raises(ReleaseError, match="changed by another process"):
        second.keep()
    assert coding.path.read_bytes() == kept
    first.keep()


@pytest.mark.parametrize("above", ["file", "dead link"])
def test_a_place_that_cannot_be_made_is_told_at_once(tmp_path, above):
    if above == "file":
        (tmp_path / "a").write_text("x")
    else:
        (tmp_path / "a").symlink_to(tmp_path / "nowhere")
    with pytest.raises(ReleaseError, match="code table or key cannot be made"):
        IdCoding.open("random", tmp_path / "a" / "b" / "codes.csv")
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_a_file_that_others_can_read_is_refused(coding):
    coding.codes(NAMES)
    coding.path.chmod(0o640)
    with pytest.raises(ReleaseError, match="chmod 600"):
        coding.codes(NAMES)


def test_a_file_that_went_away_is_not_made_again_silently(coding):
    coding.codes(NAMES)
    known = IdCoding.open(coding.mode, coding.path)
    coding.path.unlink()
    with pytest.raises(ReleaseError, match="missing"):
        known.codes(NAMES)


@pytest.mark.parametrize("content", ["", "abc", "zz" * 32, "0b" * 31, "0b" * 33])
def test_a_key_file_without_a_key_is_refused(tmp_path, content):
    path = tmp_path / "key"
    path.write_text(content)
    path.chmod(0o600)
    with pytest.raises(ReleaseError, match="does not hold a key") as caught:
        IdCoding.open("hmac", path).codes(NAMES)
    assert len(content) < 10 or content not in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [
        "",
        "site,kind,id,code\n",
        '"site_id","kind","id","code"\n"S01","scan"\n',
        '"site_id","kind","id","code"\n"S01","scan","1","A"\n"S01","scan","2","A"\n',
        '"site_id","kind","id","code"\n"S01","scan","1","A"\n"S01","scan","1","B"\n',
        '"site_id","kind","id","code"\n"S01","scan","1\n',
    ],
)
def test_a_damaged_code_table_is_refused_and_left_alone(tmp_path, content):
    path = tmp_path / "codes.csv"
    path.write_text(content)
    path.chmod(0o600)
    with pytest.raises(ReleaseError, match="damaged"):
        IdCoding("random", path).codes(NAMES)
    assert path.read_text() == content


def test_an_id_with_a_control_character_is_refused(coding):
    with pytest.raises(ReleaseError, match="control character") as caught:
        coding.codes([("S01", "participant", "7\x1f8")])
    assert "7\x1f8" not in str(caught.value)


def test_an_unknown_mode_is_refused(tmp_path):
    with pytest.raises(ArgumentError, match="'random' or 'hmac'"):
        IdCoding.open("plain", tmp_path / "x")


def test_a_second_writer_of_a_code_table_is_told_to_wait(tmp_path):
    coding = IdCoding.open("random", tmp_path / "codes.csv")
    with writer_lock(tmp_path), pytest.raises(CohortkitError, match="Another process"):
        coding.codes(NAMES)


def test_the_secret_is_in_no_text_of_the_coding(tmp_path):
    coding = IdCoding.open("hmac", tmp_path / "key")
    drawn = coding.draw(NAMES)
    drawn.keep()
    secret = (tmp_path / "key").read_text().strip()
    assert secret not in repr(coding) + str(vars(coding)) + repr(drawn) + str(drawn)


def test_keys_between_tables_still_fit_and_no_id_is_left(coding):
    pooled = two_clinics()
    coded, codes = code_tables(pooled.tables, coding.codes(id_names(pooled.tables)))
    assert judge(coded).breaches.empty
    ids = {own for kind in codes.values() for own in kind}
    for name, frame in coded.items():
        assert len(frame) == len(pooled.tables[name])
        for column in frame.columns:
            if column in CODED:
                assert frame[column].isna().equals(pooled.tables[name][column].isna())
                assert not set(frame[column].dropna()) & ids
    assert coded["sites"]["site_id"].tolist() == ["S01", "S02"]


def test_a_rater_of_another_site_keeps_one_code(coding):
    rows = small_rows("S02", 2, 1)
    rows["sites"] = [
        {"site_id": s, "country": "AT", "setting": "private_practice"} for s in ("S01", "S02")
    ]
    rows["raters"].append({"rater_id": "S01-R1", "site_id": "S01", "discipline": "radiology"})
    rows["readings"].append({**rows["readings"][0], "reading_id": "x", "rater_id": "S01-R1"})
    pooled = pool([small("S01", 2), clinic("S02", rows)])
    coded, codes = code_tables(pooled.tables, coding.codes(id_names(pooled.tables)))
    code = codes["rater"]["S01-R1"]
    assert (coded["raters"]["rater_id"] == code).sum() == 1
    sites = (
        coded["readings"]
        .merge(coded["scans"], on="scan_id")
        .merge(coded["participants"], on="participant_id")
    )
    assert set(sites.loc[sites["rater_id"] == code, "site_id"]) == {"S01", "S02"}


def test_an_id_that_points_to_no_row_is_refused(coding):
    tables = dict(two_clinics().tables)
    tables["raters"] = tables["raters"].iloc[1:].reset_index(drop=True)
    with pytest.raises(ReleaseError, match="table 'readings', column 'rater_id'"):
        code_tables(tables, coding.codes(id_names(tables)))


@pytest.mark.parametrize("mode", ["random", "hmac"])
@pytest.mark.parametrize("manifest", ['{"release_hash": "ab"}', '{"release_hash": damaged'])
def test_no_secret_is_made_in_a_release(tmp_path, mode, manifest):
    (tmp_path / "release" / "tables").mkdir(parents=True)
    (tmp_path / "release" / "manifest.json").write_text(manifest)
    (tmp_path / "link").symlink_to(tmp_path / "release" / "tables")
    for place in ("release/codes", "release/tables/codes", "release/new/codes", "link/codes"):
        with pytest.raises(ReleaseError, match="in a release"):
            IdCoding.open(mode, tmp_path / place)
    made = sorted(str(p.relative_to(tmp_path)) for p in (tmp_path / "release").rglob("*"))
    assert made == ["release/manifest.json", "release/tables"]


def test_a_manifest_of_something_else_is_no_release(tmp_path):
    (tmp_path / "manifest.json").write_text('{"name": "app"}')
    IdCoding.open("random", tmp_path / "codes").codes(NAMES)
    assert (tmp_path / "codes").exists()


@pytest.mark.parametrize("mode", ["random", "hmac"])
def test_nobody_is_told_to_change_the_mode_of_a_foreign_file(tmp_path, mode):
    path = tmp_path / "hosts"
    path.write_text("127.0.0.1 localhost\n")
    path.chmod(0o644)
    with pytest.raises(ReleaseError, match="left as it is") as caught:
        IdCoding.open(mode, path)
    assert "chmod" not in str(caught.value)


def test_a_private_file_of_another_kind_is_no_code_table(tmp_path):
    path = tmp_path / "notes"
    path.write_text("bread, milk\n")
    path.chmod(0o600)
    with pytest.raises(ReleaseError, match="no code table"):
        IdCoding.open("random", path)


@pytest.mark.parametrize(("mode", "other"), [("random", "hmac"), ("hmac", "random")])
def test_the_file_of_the_other_mode_is_told_as_such(tmp_path, mode, other):
    IdCoding.open(other, tmp_path / "secret").codes(NAMES)
    with pytest.raises(ReleaseError, match=f"--ids {other} uses it"):
        IdCoding.open(mode, tmp_path / "secret")
