"""The command line: the journey's verbs, one command each.

This module defines options and prints; `cohortkit.journey` does the work and is
loaded only when a command runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import importlib
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from cohortkit import __version__
from cohortkit.errors import CohortkitError

_SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


class _Place(click.Path):
    """A file or a folder, with a message that says what to give instead."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        place = Path(value)
        if not self.dir_okay and place.is_dir():
            self.fail(f"'{value}' is a folder. Give the path of a file, such as one in it.")
        if not self.file_okay and place.exists() and not place.is_dir():
            self.fail(f"'{value}' is a file. Give the path of a folder.")
        return super().convert(value, param, ctx)


_FILE = _Place(path_type=Path, dir_okay=False)
_FOLDER = _Place(path_type=Path, file_okay=False)

SAFETY = (
    "Research statistics, not a diagnostic device. A gap below a threshold rules nothing out. "
    "Care decisions belong to licensed clinicians; studies need ethics approval and follow local law."
)


class Progress:
    """Stage lines on standard error, with seconds since the start."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._start = time.monotonic()

    def __call__(self, stage: str) -> None:
        """Say what starts now."""
        if not self._quiet:
            click.echo(f"{time.monotonic() - self._start:6.1f} s  {stage}", err=True)


def _run(context: click.Context, step: str, *arguments: Any, **options: Any) -> None:
    """Run a step of the journey, print its answer, leave with its exit code."""
    settings = context.find_root().params
    journey = importlib.import_module("cohortkit.journey")
    work: Callable[..., Any] = getattr(journey, step)
    outcome = work(*arguments, progress=Progress(settings["quiet"]), **options)
    if context.params.get("as_json"):
        click.echo(json.dumps(outcome.data, indent=2, sort_keys=True))
    else:
        click.echo("\n".join(outcome.lines))
    context.exit(outcome.exit_code)


_json = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")


@click.group(epilog=SAFETY, context_settings=_SETTINGS)
@click.version_option(__version__, prog_name="cohortkit")
@click.option("--quiet", is_flag=True, help="Do not print progress.")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def cohortkit(quiet: bool, debug: bool) -> None:
    """Pool finger-pulley ultrasound readings, freeze a release, answer the study's questions."""


@cohortkit.command()
@click.option("--out", required=True, type=_FOLDER, help="New folder for all that the demo makes.")
@_json
@click.pass_context
def demo(context: click.Context, out: Path, as_json: bool) -> None:
    """Run the whole journey on five invented clinics and end with the report."""
    _run(context, "demo", out)


@cohortkit.command("draft-mapping")
@click.argument("source", type=_FILE)
@click.option("--out", type=_FILE, help="Write the draft here instead of printing it.")
@_json
@click.pass_context
def draft_mapping(context: click.Context, source: Path, out: Path | None, as_json: bool) -> None:
    """Look at a clinic's file and draft a mapping file to edit."""
    _run(context, "draft", source, out)


@cohortkit.command("import")
@click.argument("mappings", nargs=-1, required=True, type=_FILE)
@click.option("--pool", required=True, type=_FOLDER, help="Folder that collects the clinics.")
@click.option("--refused", type=_FOLDER, help="Folder for refused rows (default POOL/refused).")
@click.option("--corrected", type=_FOLDER, help="Folder with corrected copies of refused rows.")
@click.option(
    "--forget-corrections",
    is_flag=True,
    help="Drop these clinics' corrections of earlier imports, which the pool keeps.",
)
@_json
@click.pass_context
def import_(
    context: click.Context,
    mappings: tuple[Path, ...],
    pool: Path,
    refused: Path | None,
    corrected: Path | None,
    forget_corrections: bool,
    as_json: bool,
) -> None:
    """Read clinics' files as their mapping files declare; accept or refuse each row."""
    options = {
        "refused": refused,
        "corrected": corrected,
        "forget_corrections": forget_corrections,
    }
    _run(context, "import_clinics", mappings, pool, **options)


@cohortkit.command()
@click.argument("pool", type=_FOLDER)
@_json
@click.pass_context
def pool(context: click.Context, pool: Path, as_json: bool) -> None:
    """Join the imported clinics: id collisions, same person twice, participant flow."""
    _run(context, "pool_clinics", pool)


@cohortkit.command()
@click.argument("pool", type=_FOLDER)
@click.option("--out", required=True, type=_FOLDER, help="New folder for the release.")
@click.option(
    "--ids",
    type=click.Choice(["random", "hmac"]),
    default="random",
    show_default=True,
    help="How ids become codes: a random code table, or a keyed hash.",
)
@click.option(
    "--secret",
    required=True,
    type=_FILE,
    help="Code table (random) or key file (hmac). Made if absent. Keep it at the site.",
)
@_json
@click.pass_context
def freeze(
    context: click.Context, pool: Path, out: Path, ids: str, secret: Path, as_json: bool
) -> None:
    """Freeze the pool as a release that nobody can alter unnoticed."""
    _run(context, "freeze_pool", pool, out, ids=ids, secret=secret)


@cohortkit.command()
@click.argument("release", type=_FOLDER)
@_json
@click.pass_context
def verify(context: click.Context, release: Path, as_json: bool) -> None:
    """Check every byte of a release; leave with 0 only if all is as frozen."""
    _run(context, "verify_release", release)


@cohortkit.command()
@click.argument("old", type=_FOLDER)
@click.argument("new", type=_FOLDER)
@_json
@click.pass_context
def diff(context: click.Context, old: Path, new: Path, as_json: bool) -> None:
    """Say what changed between two releases."""
    _run(context, "compare_releases", old, new)


@cohortkit.command()
@click.argument("release", type=_FOLDER)
@click.option("--out", required=True, type=_FOLDER, help="Folder for the figures.")
@click.option("--only", multiple=True, help="Name of one notebook, such as fig2_agreement.")
@_json
@click.pass_context
def figures(
    context: click.Context, release: Path, out: Path, only: tuple[str, ...], as_json: bool
) -> None:
    """Redraw every figure and table by running the notebooks on a release."""
    _run(context, "redraw", release, out, only=only)


@cohortkit.command()
@click.argument("release", type=_FOLDER)
@click.option("--out", required=True, type=_FILE, help="The HTML file to write.")
@_json
@click.pass_context
def report(context: click.Context, release: Path, out: Path, as_json: bool) -> None:
    """Write the report: flow, refusals, the four answers, their cautions."""
    _run(context, "report", release, out)


@cohortkit.command()
@click.option("--out", required=True, type=_FOLDER, help="Folder for the codebook.")
@_json
@click.pass_context
def codebook(context: click.Context, out: Path, as_json: bool) -> None:
    """Write the codebook of the table format as HTML, Markdown and CSV."""
    _run(context, "codebook", out)


@cohortkit.command()
@click.option("--out", required=True, type=_FOLDER, help="Folder for the templates.")
@_json
@click.pass_context
def templates(context: click.Context, out: Path, as_json: bool) -> None:
    """Write one empty CSV per table, ready to fill in."""
    _run(context, "templates", out)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; a user's mistake leaves with its class's exit code."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        cohortkit.main(args=given, prog_name="cohortkit")
    except CohortkitError as error:
        _leave(error, str(error), error.exit_code, given)
    except OSError as error:
        place = error.filename or "the file system"
        message = (
            f"The operating system refused: {error.strerror or error}. Where: {place}. "
            "Next: check that the place exists, may be written and has room; "
            "what was there before is unchanged."
        )
        _leave(error, message, 13, given)


def _leave(error: Exception, message: str, code: int, arguments: list[str]) -> None:
    """Print a message without a traceback, or with one if ``--debug`` was given."""
    if "--debug" in arguments:
        raise error
    click.echo(f"cohortkit: {message}", err=True)
    sys.exit(code)
