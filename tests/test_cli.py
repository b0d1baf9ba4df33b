"""The command line: quick help, exit codes by class, no traceback for a user's mistake."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import time

import pytest

from cohortkit import errors
from cohortkit.cli import cohortkit as group
from cohortkit.cli import main
from tests.cohort.clinic_files import SCANS, write_clinic

BROKEN = "s9;2;re;III;05.04.2021;ja;A2;R1;0,10;0.21"
VERBS = sorted(group.commands)


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "cohortkit", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def leave(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stopped:
        main(list(arguments))
    printed = capsys.readouterr()
    return int(stopped.value.code or 0), printed.out, printed.err


def test_the_journey_has_its_verbs():
    assert {
        "demo", "draft-mapping", "import", "pool", "freeze", "verify",
        "diff", "figures", "report", "codebook", "templates",
    } == set(VERBS)  # fmt: skip


@pytest.mark.parametrize("arguments", [(), *[(verb,) for verb in VERBS]], ids="-".join)
def test_help_loads_nothing_heavy(arguments):
    code = (
        "import sys\nfrom cohortkit.cli import main\n"
        f"try:\n    main({[*arguments, '--help']!r})\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('pandas', 'numpy', 'scipy', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("[]")
    assert "Usage: cohortkit" in done.stdout


def test_help_answers_within_a_second():
    seconds = []
    for _ in range(3):
        start = time.perf_counter()
        assert run("--help").returncode == 0
        seconds.append(time.perf_counter() - start)
    assert min(seconds) < 1


def test_help_carries_the_safety_statement():
    assert "not a diagnostic device" in " ".join(run("--help").stdout.split())


def test_a_missing_release_is_a_message_not_a_traceback(tmp_path):
    done = run("verify", str(tmp_path / "none"))
    assert done.returncode == errors.ReleaseError.exit_code
    assert "Next:" in done.stderr
    assert "Traceback" not in done.stderr


def test_debug_shows_the_traceback(tmp_path):
    assert "Traceback" in run("--debug", "verify", str(tmp_path / "none")).stderr


def test_wrong_options_leave_with_two(capsys):
    assert leave(capsys, "freeze")[0] == 2
    assert leave(capsys, "no-such-verb")[0] == 2


def test_an_empty_pool_says_what_to_do(capsys, tmp_path):
    code, _, err = leave(capsys, "--quiet", "pool", str(tmp_path))
    assert code == errors.PoolingError.exit_code
    assert "cohortkit import" in err


def test_a_folder_that_cannot_be_made_is_a_message(capsys, tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    code, _, err = leave(capsys, "--quiet", "templates", "--out", str(tmp_path / "file" / "below"))
    assert code == 13
    assert "operating system refused" in err


def test_progress_goes_to_standard_error_and_json_to_standard_output(capsys, tmp_path):
    code, out, err = leave(capsys, "templates", "--out", str(tmp_path / "t"), "--json")
    assert code == 0
    assert len(json.loads(out)["files"]) == 10
    assert "writing the templates" in err


def test_quiet_says_nothing_on_standard_error(capsys, tmp_path):
    code, _, err = leave(capsys, "--quiet", "codebook", "--out", str(tmp_path / "c"))
    assert (code, err) == (0, "")


def test_corrections_stay_until_they_are_forgotten(capsys, tmp_path):
    clinic = write_clinic(tmp_path / "clinic", scans=[*SCANS, BROKEN])
    pool, corrected = tmp_path / "pool", tmp_path / "corrected"
    step = ("--quiet", "import", str(clinic), "--pool", str(pool))
    assert leave(capsys, *step)[0] == 0
    handed = (pool / "refused" / "S01__scans__to_correct.csv").read_text(encoding="utf-8")
    corrected.mkdir()
    mended = handed.replace('"0.21"', '"0,21"')
    (corrected / "S01__scans__to_correct.csv").write_text(mended, encoding="utf-8")
    assert (
        "corrected records in place of their lines: 1"
        in leave(capsys, *step, "--corrected", str(corrected))[1]
    )
    code, out, _ = leave(capsys, *step, "--json")
    told = json.loads(out)
    assert (code, told["totals"]["refused"], told["sites"]) == (0, 0, {"S01": "unchanged"})
    assert told["corrections"] == {"S01": {"applied": 1, "not_applied": 0}}
    write_clinic(tmp_path / "clinic", scans=[*SCANS, BROKEN, BROKEN.replace("s9", "s8")])
    assert "has changed: 1 (--forget-corrections" in leave(capsys, *step)[1]
    _, out, _ = leave(capsys, *step, "--forget-corrections", "--json")
    assert json.loads(out)["corrections"] == {"S01": {"applied": 0, "not_applied": 0}}


@pytest.fixture(scope="module")
def pool(tmp_path_factory):
    """A pool of one invented clinic, imported by the command."""
    folder = tmp_path_factory.mktemp("pooled")
    clinic = write_clinic(folder / "clinic")
    with pytest.raises(SystemExit):
        main(["--quiet", "import", str(clinic), "--pool", str(folder / "pool")])
    return folder / "pool"


@pytest.mark.parametrize("ids", ["random", "hmac"])
@pytest.mark.parametrize("secret", ["fr/codes.csv", "pool/codes.csv", "done/tables/codes.csv"])
def test_a_secret_in_the_wrong_place_stops_before_anything_is_made(
    capsys, tmp_path, pool, ids, secret
):
    shutil.copytree(pool, tmp_path / "pool")
    (tmp_path / "done" / "tables").mkdir(parents=True)
    (tmp_path / "done" / "manifest.json").write_text('{"release_hash": ""}', encoding="utf-8")
    before = sorted(tmp_path.rglob("*"))
    step = ("--quiet", "freeze", str(tmp_path / "pool"), "--out", str(tmp_path / "fr"))
    code, _, err = leave(capsys, *step, "--ids", ids, "--secret", str(tmp_path / secret))
    assert code == errors.ReleaseError.exit_code
    assert "would lie in" in err
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("ids", ["random", "hmac"])
@pytest.mark.parametrize("place", ["out/secret", "link/secret", "site_held/secret", "secret"])
def test_a_secret_beside_the_release_is_taken_with_a_caution(capsys, tmp_path, pool, ids, place):
    (tmp_path / "out").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "out")
    secret = str(tmp_path / place)
    step = ("--quiet", "freeze", str(pool), "--out", str(tmp_path / "out" / "r"), "--ids", ids)
    code, out, _ = leave(capsys, *step, "--secret", secret, "--json")
    cautions = json.loads(out)["cautions"]
    assert code == 0
    if place in ("out/secret", "link/secret"):
        assert [secret in caution and "folder of its own" in caution for caution in cautions] == [
            True
        ]
    else:
        assert cautions == []


def test_the_caution_is_printed(capsys, tmp_path, pool):
    step = ("--quiet", "freeze", str(pool), "--out", str(tmp_path / "r"))
    _, out, _ = leave(capsys, *step, "--secret", str(tmp_path / "codes.csv"))
    assert out.splitlines()[-1].startswith(f"Caution: {tmp_path / 'codes.csv'} lies beside")


@pytest.mark.parametrize("stop", ["release exists", "altered pool", "no pool"])
def test_a_refused_freeze_makes_no_secret(capsys, tmp_path, pool, stop):
    out = tmp_path / "out" / "r"
    if stop == "release exists":
        out.mkdir(parents=True)
    if stop != "no pool":
        shutil.copytree(pool, tmp_path / "pool")
    if stop == "altered pool":
        people = next((tmp_path / "pool" / "sites").glob("*/participants.csv"))
        people.write_bytes(people.read_bytes() + b"x")
    before = sorted(tmp_path.rglob("*"))
    step = ("--quiet", "freeze", str(tmp_path / "pool"), "--out", str(out))
    code, _, err = leave(capsys, *step, "--secret", str(tmp_path / "site_held" / "codes.csv"))
    assert code
    assert "Next:" in err
    assert sorted(tmp_path.rglob("*")) == before


@pytest.fixture(scope="module")
def releases(pool, tmp_path_factory):
    """Two releases of that pool, each in a folder of its own."""
    folder = tmp_path_factory.mktemp("releases")
    secret = str(tmp_path_factory.mktemp("site_held") / "key")
    for name in ("old", "new"):
        out = str(folder / name / "r")
        with pytest.raises(SystemExit):
            main(["--quiet", "freeze", str(pool), "--out", out, "--ids", "hmac",
                  "--secret", secret])  # fmt: skip
    return folder


def test_verify_says_whether_a_log_confirms_the_manifest(capsys, tmp_path, releases):
    _, out, _ = leave(capsys, "--quiet", "verify", str(releases / "old" / "r"))
    digest = hashlib.sha256((releases / "old" / "r" / "manifest.json").read_bytes()).hexdigest()
    assert f"SHA-256 of manifest.json: {digest}" in out
    assert "confirms it" in out
    shutil.copytree(releases / "old" / "r", tmp_path / "copy")
    _, out, _ = leave(capsys, "--quiet", "verify", str(tmp_path / "copy"))
    assert "compare the SHA-256 of manifest.json with the one you published" in out


@pytest.mark.parametrize(
    "step",
    [
        ("figures", "{r}", "--out", "{r}/figures"),
        ("report", "{r}", "--out", "{r}/report.html"),
        ("codebook", "--out", "{r}"),
        ("templates", "--out", "{r}/tables/new"),
        ("demo", "--out", "{r}/demo"),
        ("import", "{c}", "--pool", "{r}/pool"),
        ("import", "{c}", "--pool", "{t}/pool", "--refused", "{r}/refused"),
        ("draft-mapping", "{c}/../people.csv", "--out", "{r}/draft.toml"),
    ],
    ids=lambda step: step[0],
)
def test_nothing_is_written_into_a_release(capsys, tmp_path, releases, step):
    release, clinic = releases / "old" / "r", write_clinic(tmp_path / "clinic")
    named = [word.format(r=release, c=clinic, t=tmp_path) for word in step]
    before = sorted(release.rglob("*"))
    code, _, err = leave(capsys, "--quiet", *named)
    assert code == errors.ReleaseError.exit_code
    assert "Nothing is written into a release" in err
    assert sorted(release.rglob("*")) == before
    assert not (tmp_path / "pool").exists()


@pytest.mark.parametrize("same", [True, False])
def test_two_mappings_of_one_site_stop_before_anything_is_read(capsys, tmp_path, same):
    one = write_clinic(tmp_path / "one")
    two = one if same else write_clinic(tmp_path / "two")
    code, _, err = leave(
        capsys, "--quiet", "import", str(one), str(two), "--pool", str(tmp_path / "p")
    )
    assert code == errors.ArgumentError.exit_code
    assert ("named twice" if same else "Two mapping files are of one site") in err
    assert f"site S01: '{one}' and '{two}'" in err
    assert not (tmp_path / "p").exists()


@pytest.mark.parametrize("kind", ["absent", "release", "other"])
def test_what_is_no_pool_is_called_what_it_is(capsys, tmp_path, releases, kind):
    place = {"absent": tmp_path / "no", "release": releases / "old" / "r", "other": tmp_path}[kind]
    code, _, err = leave(capsys, "--quiet", "pool", str(place))
    assert code == errors.PoolingError.exit_code
    found = {"absent": "no such folder", "release": "a release, not a pool", "other": "no folder"}
    assert f"Found: {found[kind]}" in err


WRONG = {
    "folder for a mapping": (("import", "{t}", "--pool", "{t}/p"), 2, "is a folder. Give the path"),
    "file for a pool": (("pool", "{f}"), 2, "is a file. Give the path of a folder"),
    "file for a release": (("verify", "{f}"), 2, "is a file. Give the path of a folder"),
    "absent mapping": (("import", "{t}/no.toml", "--pool", "{t}/p"), 3, "The mapping file cannot"),
    "data for a mapping": (("import", "{f}", "--pool", "{t}/p"), 3, "not its data"),
    "mapping for data": (("draft-mapping", "{m}"), 4, "a mapping file"),
    "absent data": (("draft-mapping", "{t}/no.csv"), 4, "there is no such file"),
    "mapping in place": (("draft-mapping", "{f}", "--out", "{m}"), 2, "never overwritten"),
    "absent corrections": (
        ("import", "{m}", "--pool", "{t}/p", "--corrected", "{t}/no"), 4, "corrected files",
    ),
    "no clinic to freeze": (("freeze", "{t}/no", "--out", "{t}/r", "--secret", "{t}/s"), 6, "import"),
    "no release to report": (("report", "{t}", "--out", "{t}/r.html"), 8, "not a release"),
    "no release to draw": (("figures", "{t}/no", "--out", "{t}/f"), 8, "There is no release"),
    "no release to compare": (("diff", "{t}", "{t}"), 8, "The old release cannot be compared"),
    "full demo folder": (("demo", "--out", "{t}"), 2, "a new or empty folder"),
    "no such notebook": (("figures", "{r}", "--out", "{t}/f", "--only", "x"), 2, "fig1_flow"),
}  # fmt: skip


@pytest.mark.parametrize(("step", "expected", "told"), WRONG.values(), ids=WRONG.keys())
def test_wrong_usage_leaves_with_the_code_of_its_class(
    capsys, tmp_path, releases, step, expected, told
):
    mapping = write_clinic(tmp_path / "clinic")
    places = {"t": tmp_path, "m": mapping, "f": mapping.parent / "people.csv"}
    words = [word.format(**places, r=releases / "old" / "r") for word in step]
    code, out, err = leave(capsys, "--quiet", *words)
    assert (code, out) == (expected, "")
    assert told in err
    assert "Traceback" not in err


def test_verify_of_another_folder_is_told_so(capsys, tmp_path):
    code, _, err = leave(capsys, "--quiet", "verify", str(tmp_path))
    assert code == errors.ReleaseError.exit_code
    assert "not a release" in err


@pytest.mark.parametrize("which", ["old", "new"])
def test_diff_says_which_release_failed(capsys, tmp_path, releases, which):
    shutil.copytree(releases, tmp_path / "both")
    pair = {name: tmp_path / "both" / name / "r" for name in ("old", "new")}
    (pair[which] / "flow.csv").unlink()
    code, _, err = leave(capsys, "--quiet", "diff", str(pair["old"]), str(pair["new"]))
    assert code == errors.IntegrityError.exit_code
    assert f"The {which} release cannot be compared" in err
    assert str(pair[which]) in err
