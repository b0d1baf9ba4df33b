"""The command line's verbs as functions: each does one step and says what it did."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from cohortkit.cohort.draft import draft_mapping
from cohortkit.cohort.identity import IdCoding, refuse_secret_place
from cohortkit.cohort.kept_corrections import APPLIED
from cohortkit.cohort.manifest import MANIFEST, holds_release
from cohortkit.cohort.mapping import read_mapping
from cohortkit.cohort.pooling import Pooled
from cohortkit.cohort.pooling import pool as pool_intakes
from cohortkit.cohort.refused import write_refused
from cohortkit.cohort.release import Release, diff, freeze, open_release, verify
from cohortkit.cohort.validation import (
    Intake,
    import_clinic,
    read_corrections,
    read_intake,
    write_intake,
)
from cohortkit.cohort.writing import atomic_write
from cohortkit.display import text_table
from cohortkit.errors import ArgumentError, IntegrityError, PoolingError, ReleaseError
from cohortkit.report.answers import answer_all, draw_all, read_plan
from cohortkit.report.notebooks import run_notebooks
from cohortkit.report.page import write_report
from cohortkit.tables.canonical import sha256
from cohortkit.tables.codebook import write_codebook, write_templates
from cohortkit.tables.schema import shipped_folder

Say = Callable[[str], None]

_SITES = "sites"
_NO_LOG = (
    "no log beside the release: a consistent rewrite of table and manifest cannot be told from "
    "the original; compare the SHA-256 of manifest.json with the one you published"
)
INVENTED = "All clinics, people, ids and readings of this demo are invented."


@dataclass(frozen=True)
class Outcome:
    """What a step did: lines for a reader, data for a script, an exit code."""

    lines: list[str]
    data: dict[str, Any] = field(default_factory=dict)
    exit_code: int = 0


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as JSON-ready rows."""
    return json.loads(frame.to_json(orient="records"))


def _text(frame: pd.DataFrame) -> str:
    """A table as aligned text; a missing cell is empty, a fraction has one decimal."""
    fractions = [str(name) for name in frame.select_dtypes("float")]
    shown = {name: frame[name].map("{:.1f}".format) for name in fractions}
    cells = frame.assign(**shown).astype("string").fillna("")
    return text_table([str(c) for c in cells.columns], cells.to_numpy().tolist())


def _outside_releases(*places: Path | None) -> None:
    """Stop before anything is written into a frozen release, which would no longer be intact."""
    for place in places:
        if place is None:
            continue
        resolved = place.resolve()
        inside = [folder for folder in (resolved, *resolved.parents) if holds_release(folder)]
        if inside:
            raise ReleaseError(
                "Nothing is written into a release, since it would no longer be as frozen",
                where=str(place),
                found=f"the release {inside[0]}",
                next_step="name a place outside the release",
            )


def draft(source: Path, out: Path | None, *, progress: Say) -> Outcome:
    """Look at a clinic's file; print or write a mapping skeleton to edit."""
    _outside_releases(out)
    progress(f"looking at {source.name}")
    drafted = draft_mapping(source)
    lines = list(drafted.summary)
    if out is None:
        lines += ["", drafted.text_toml]
    else:
        if out.exists():
            raise ArgumentError(
                "A mapping file is never overwritten",
                where=str(out),
                next_step="name a new file, or move the old one away",
            )
        atomic_write(out, drafted.text_toml.encode("utf-8"))
        lines += [f"draft written: {out}", "Every line marked 'guess' needs your eye."]
    return Outcome(lines, {"mapping": drafted.text_toml, "guesses": list(drafted.summary)})


def import_clinics(
    mappings: Sequence[Path],
    pool: Path,
    *,
    refused: Path | None = None,
    corrected: Path | None = None,
    forget_corrections: bool = False,
    progress: Say,
) -> Outcome:
    """Import each clinic into the pool folder and write its refused rows."""
    refused = refused or pool / "refused"
    _outside_releases(pool, refused)
    _one_mapping_a_site(mappings)
    states, intakes, corrections = {}, [], {}
    for index, mapping in enumerate(mappings, start=1):
        progress(f"importing clinic {index} of {len(mappings)}: {mapping}")
        folder = pool / _SITES / read_mapping(mapping).site_id
        kept = None if forget_corrections else read_corrections(folder)
        intake = import_clinic(mapping, corrected=corrected, kept=kept)
        state = write_intake(intake, folder)
        write_refused(intake, refused)
        corrections[intake.site_id] = _corrected(intake)
        states[intake.site_id] = state
        intakes.append(intake)
    counts = pd.concat([intake.counts for intake in intakes], ignore_index=True)
    totals = {name: int(counts[name].sum()) for name in ("read", "accepted", "refused", "blank")}
    lines = [
        _text(counts),
        "",
        f"{totals['read']} rows read = {totals['accepted']} accepted + {totals['refused']} refused "
        f"+ {totals['blank']} declared blank",
        *(f"{site}: {state}" for site, state in states.items()),
        *_correction_lines(corrections),
        *_problem_lines(intakes),
        f"refused rows and what to do: {refused}",
    ]
    data = {"counts": _rows(counts), "totals": totals, "sites": states, "corrections": corrections}
    return Outcome(lines, data)


def _one_mapping_a_site(mappings: Sequence[Path]) -> None:
    """Stop if two mappings are of one site: the second import would replace the first."""
    first: dict[str, Path] = {}
    for mapping in mappings:
        site = read_mapping(mapping).site_id
        earlier = first.setdefault(site, mapping)
        if earlier is not mapping:
            same = earlier.resolve() == mapping.resolve()
            raise ArgumentError(
                "A mapping file is named twice" if same else "Two mapping files are of one site",
                where=f"site {site}: '{earlier}' and '{mapping}'",
                next_step="name it once"
                if same
                else "describe all files of a clinic in one mapping, or correct a site_id",
            )


def _corrected(intake: Intake) -> dict[str, int]:
    """Records with a correction in place, and with one that no longer applies."""
    applied = intake.corrections["state"] == APPLIED
    record = ["source", "file_sha256", "line"]
    counted = {"applied": applied, "not_applied": ~applied}
    return {
        state: len(intake.corrections.loc[rows, record].drop_duplicates())
        for state, rows in counted.items()
    }


def _correction_lines(corrections: Mapping[str, Mapping[str, int]]) -> list[str]:
    lines = []
    for site, counted in corrections.items():
        if counted["applied"]:
            lines.append(f"{site}: corrected records in place of their lines: {counted['applied']}")
        if counted["not_applied"]:
            lines.append(
                f"{site}: kept corrections that no longer apply, since their file or the way it "
                f"is read has changed: {counted['not_applied']} (--forget-corrections drops them)"
            )
    return lines


def _problem_lines(intakes: Sequence[Intake]) -> list[str]:
    """Problems counted by site, severity and code."""
    problems = pd.concat([intake.problems for intake in intakes], ignore_index=True)
    if problems.empty:
        return ["", "no problem found", ""]
    grouped = problems.groupby(["site_id", "severity", "code"], sort=True)
    counted = grouped.size().rename("problems").reset_index()
    return ["", _text(counted), ""]


def _pool_folder(pool: Path, progress: Say) -> Pooled:
    """Read every imported clinic of a pool folder and join them."""
    folders = sorted(p for p in (pool / _SITES).glob("*") if p.is_dir() and p.name[0] != ".")
    if not folders:
        raise PoolingError(
            "The pool holds no imported clinic",
            where=str(pool),
            found=_instead_of_pool(pool),
            next_step="name the folder given to 'cohortkit import MAPPING --pool POOL', or import "
            "a clinic first",
        )
    progress(f"joining {len(folders)} clinics")
    return pool_intakes([read_intake(folder) for folder in folders])


def _instead_of_pool(folder: Path) -> str:
    if not folder.is_dir():
        return "no such folder"
    return (
        "a release, not a pool" if holds_release(folder) else f"no folder '{_SITES}' with clinics"
    )


def pool_clinics(pool: Path, *, progress: Say) -> Outcome:
    """Join the clinics; list the flow and whoever may be the same person twice."""
    pooled = _pool_folder(pool, progress)
    return Outcome(
        _pool_lines(pooled),
        {"flow": _rows(pooled.flow), "same_person_candidates": _rows(pooled.duplicates)},
    )


def _pool_lines(pooled: Pooled) -> list[str]:
    lines = [_text(pooled.flow), ""]
    if pooled.duplicates.empty:
        return [*lines, "no candidate for the same person twice"]
    return [
        *lines,
        "possibly the same person twice (listed, never merged):",
        _text(pooled.duplicates),
    ]


def freeze_pool(pool: Path, out: Path, *, ids: str, secret: Path, progress: Say) -> Outcome:
    """Freeze the pool as a release."""
    places = {"the release to be made": out, "the pool": pool}
    refuse_secret_place(secret, folders=places)
    coding = IdCoding.open(ids, secret)
    pooled = _pool_folder(pool, progress)
    progress("freezing")
    release = freeze(pooled, out, ids=coding)
    cautions = _secret_cautions(secret, release)
    data = {
        "release": str(release.path),
        "release_hash": release.release_hash,
        "flow": _rows(pooled.flow),
        "same_person_candidates": _rows(pooled.duplicates),
        "cautions": cautions,
    }
    return Outcome([*_pool_lines(pooled), "", *_release_lines(release), *cautions], data)


def _secret_cautions(secret: Path, release: Release) -> list[str]:
    """What to mind where the code table or key lies beside the release."""
    if secret.resolve().parent != release.path.resolve().parent:
        return []
    return [
        f"Caution: {secret} lies beside the release. It turns codes back into ids, and whoever is "
        "handed this folder gets both. Next: move it to a folder of its own, at the site."
    ]


def _release_lines(release: Release) -> list[str]:
    rows = {name: len(frame) for name, frame in release.tables.items()}
    return [
        f"release: {release.path}",
        f"release hash: {release.release_hash}",
        f"SHA-256 of manifest.json: {sha256((release.path / MANIFEST).read_bytes())}",
        "rows: " + ", ".join(f"{name} {n}" for name, n in rows.items()),
    ]


def verify_release(path: Path, *, progress: Say) -> Outcome:
    """Check every byte of a release."""
    progress("checking every file against the manifest")
    found = verify(path)
    data = {
        "ok": found.ok,
        "problems": _rows(found.problems),
        "release_hash": found.release_hash,
        "manifest_sha256": found.manifest_sha256,
        "logged": found.logged,
    }
    if found.ok:
        lines = [
            f"intact: {path}",
            f"release hash: {found.release_hash}",
            f"SHA-256 of manifest.json: {found.manifest_sha256}",
            "a line of the log beside the release confirms it" if found.logged else _NO_LOG,
        ]
        return Outcome(lines, data)
    lines = ["NOT as frozen:", _text(found.problems), "Next: restore the release from its archive."]
    return Outcome(lines, data, exit_code=IntegrityError.exit_code)


def compare_releases(old: Path, new: Path, *, progress: Say) -> Outcome:
    """Say what changed between two releases."""
    progress("comparing")
    found = diff(_opened(old, "old"), _opened(new, "new"))
    return Outcome(found.lines(), found.to_dict())


def _opened(path: Path, which: str) -> Release:
    """Open one of two releases; an error says which."""
    try:
        return open_release(path)
    except ReleaseError as error:
        raise type(error)(
            f"The {which} release cannot be compared: {error.what[0].lower()}{error.what[1:]}",
            where=error.where if str(path) in error.where else f"{path}: {error.where}",
            found=error.found,
            next_step=error.next_step,
        ) from error


def redraw(release: Path, out: Path, *, only: Sequence[str], progress: Say) -> Outcome:
    """Run the notebooks on a release."""
    _outside_releases(out)
    opened = open_release(release)
    written = run_notebooks(opened.path, out, names=tuple(only) or None, progress=progress)
    names = [str(path) for path in written]
    return Outcome([*names, f"{len(names)} files in {out}"], {"files": names})


def report(release: Path, out: Path, *, progress: Say) -> Outcome:
    """Write the report of a release."""
    _outside_releases(out)
    opened = open_release(release)
    progress("answering the four questions and drawing")
    path = write_report(opened, out)
    return Outcome([f"report: {path}"], {"report": str(path)})


def codebook(out: Path, *, progress: Say) -> Outcome:
    """Write the codebook."""
    _outside_releases(out)
    progress("writing the codebook")
    paths = [str(path) for path in write_codebook(out)]
    return Outcome(paths, {"files": paths})


def templates(out: Path, *, progress: Say) -> Outcome:
    """Write the empty CSV templates."""
    _outside_releases(out)
    progress("writing the templates")
    paths = [str(path) for path in write_templates(out)]
    return Outcome(paths, {"files": paths})


def demo(out: Path, *, progress: Say) -> Outcome:
    """The whole journey on the invented clinics, into a new folder."""
    _outside_releases(out)
    if out.exists() and any(out.iterdir()):
        raise ArgumentError(
            "The demo writes into a new or empty folder",
            where=str(out),
            found="a folder with files in it",
            next_step="name another folder, or empty this one",
        )
    clinics = shipped_folder("synthetic_cohort")
    mappings = sorted(clinics.glob("clinics/*/mapping.toml"))
    pool = out / "pool"
    imported = import_clinics(mappings, pool, refused=out / "refused", progress=progress)
    key = out / "site_held" / "invented_hmac_key.txt"
    out.mkdir(parents=True, exist_ok=True)
    key.parent.mkdir(mode=0o700)
    shutil.copyfile(clinics / key.name, key)
    key.chmod(0o600)
    frozen = freeze_pool(pool, out / "release", ids="hmac", secret=key, progress=progress)
    release = open_release(out / "release")
    plan = read_plan()
    answers = answer_all(release, plan, progress)
    progress("drawing the figures")
    draw_all(release, plan, out / "figures", answers)
    progress("writing the report")
    page = write_report(
        release,
        out / "report.html",
        plan=plan,
        answers=answers,
        figures=out / "figures",
    )
    progress("done")
    candidates = len(frozen.data["same_person_candidates"])
    lines = [
        *imported.lines,
        "",
        f"pairs that may be one person (listed in the release, never merged): {candidates}",
        *_release_lines(release),
        "",
        INVENTED,
        f"report: {page}",
    ]
    return Outcome(lines, {**imported.data, **frozen.data, "report": str(page)})
