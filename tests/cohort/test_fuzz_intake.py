"""Thousands of damaged clinic files: no error but our own, and no record unaccounted for."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from random import Random

import numpy as np
import pytest

from cohortkit.cohort.mapping import read_mapping
from cohortkit.cohort.refused import write_refused
from cohortkit.cohort.source_files import SourceData, read_sources
from cohortkit.cohort.validation import import_clinic
from cohortkit.errors import CohortkitError
from tests.cohort.mutations import DAYS, HEAD, Seed, mutated, seeds

TOGETHER = 10


def write(folder: Path, files: list[tuple[Seed, bytes]]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "days.csv").write_bytes(DAYS)
    for seed, data in files:
        (folder / seed.file).write_bytes(data)
    path = folder / "mapping.toml"
    head, enrolment = HEAD.split("[enrolment]")
    path.write_text(f"{head}[enrolment]{enrolment}" + "".join(s.mapping() for s, _ in files))
    return path


def read_alone(folder: Path, seed: Seed, data: bytes) -> SourceData | None:
    """The file as records, or None if it is refused as a whole."""
    try:
        return read_sources(read_mapping(write(folder, [(seed, data)])))[-1]
    except CohortkitError:
        return None


def check_lines(source: SourceData, seed: Seed, data: bytes) -> None:
    """Every physical line below the header is part of exactly one record."""
    lines = source.lines.tolist()
    assert len(lines) == len(source.rows)
    assert all(a < b for a, b in pairwise(lines))
    if seed.format == "csv" and lines:
        text = data.decode(seed.encoding, "surrogateescape").replace("\r\n", "\n")
        n_lines = text.removesuffix("\n").count("\n") + 1
        spans = np.diff([*lines, n_lines + 1])
        assert spans.min() >= 1
        assert spans.max() <= 20
        last = "".join(source.rows[-1])
        assert last == "" or last[-1] in text


def check_import(folder: Path, read: list[tuple[Seed, bytes, int]]) -> None:
    """Accounts, reasons and places of everything that was read."""
    intake = import_clinic(write(folder, [(seed, data) for seed, data, _ in read]))
    counts = intake.counts.set_index("source")
    for seed, _, n in read:
        held = counts.loc[f"f{seed.number}"]
        assert held["read"] == n == held["accepted"] + held["refused"] + held["blank"]
    records = intake.records
    assert len(records) == counts["read"].sum()
    refused = set(zip(records["source"], records["line"], records["status"], strict=True))
    refused = {(s, line) for s, line, status in refused if status == "refused"}
    reasons = intake.problems[intake.problems["severity"] == "refuse"]
    assert set(zip(reasons["source"], reasons["line"], strict=True)) == refused
    assert intake.problems["next_step"].str.len().min() != 0
    accepted = records[records["status"] == "accepted"]
    places = set(zip(accepted["source"], accepted["line"], strict=True))
    origin = set(zip(intake.provenance["source"], intake.provenance["line"], strict=True))
    assert origin <= places
    write_refused(intake, folder / "refused")
    assert not list(Path.cwd().glob("canary*"))


def run(folder: Path, n_files: int, start: int) -> dict[str, int]:
    """Damage files, read each alone, then import those that can be read together."""
    kinds = seeds()
    tally = {"files": 0, "refused as a whole": 0, "imported": 0}
    for group in range(n_files // TOGETHER):
        random = Random(start + group)
        read = []
        for seed in random.sample(kinds, TOGETHER):
            data = mutated(seed, random)
            tally["files"] += 1
            source = read_alone(folder / "alone", seed, data)
            if source is None:
                tally["refused as a whole"] += 1
                continue
            check_lines(source, seed, data)
            read.append((seed, data, len(source)))
        check_import(folder / "together", read)
        tally["imported"] += len(read)
    return tally


def test_seeds_are_clean(tmp_path):
    files = [(seed, seed.text(Random(1))) for seed in seeds() if seed.format == "csv"]
    intake = import_clinic(write(tmp_path, files))
    assert intake.problems[intake.problems["severity"] == "refuse"].empty
    assert len(seeds()) == 30


def test_a_thousand_damaged_files(tmp_path):
    tally = run(tmp_path, 1_000, start=20_211_125)
    assert tally["files"] == 1_000
    assert tally["imported"] > 700


@pytest.mark.long
def test_ten_thousand_damaged_files(tmp_path):
    tally = run(tmp_path, 10_000, start=1)
    assert tally["files"] == 10_000
