"""Run the notebooks that ship with the package, without a browser and without a port."""

from __future__ import annotations

import importlib
import os
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from cohortkit import errors
from cohortkit.errors import ArgumentError, CohortkitError, MissingPackageError
from cohortkit.tables.schema import shipped_folder

RELEASE_VARIABLE = "COHORTKIT_RELEASE"
FIGURES_VARIABLE = "COHORTKIT_FIGURES"
CELL_SECONDS = 1800


def shipped_notebooks() -> dict[str, Path]:
    """Name to path of the notebooks in ``analysis/``, in order of name."""
    return {path.stem: path for path in sorted(shipped_folder("analysis").glob("*.ipynb"))}


def run_notebooks(
    release: str | Path,
    out: str | Path,
    names: Sequence[str] | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[Path]:
    """Execute shipped notebooks on a release; they write their figures and tables.

    Only notebooks that ship with the package can be named: running a notebook is
    running code. The notebooks themselves are not changed and no executed copy is
    kept. The kernel talks over local sockets of the file system, not over TCP.

    Parameters
    ----------
    release
        Folder of a frozen release.
    out
        Folder for what the notebooks write. Made if it is not there.
    names
        Notebook names without ending, as ``fig2_agreement``. None runs all.
    progress
        Called with a line before each notebook.

    Returns
    -------
    list of Path
        The files in `out` that the run wrote, sorted.

    Raises
    ------
    MissingPackageError
        If the packages of the extra ``notebooks`` are not installed.
    ArgumentError
        If a name is not that of a shipped notebook.
    CohortkitError
        If a cell fails: the cell's own error, in its class, with the notebook named in
        its place; or, if it is none of ours, one that quotes it.
    """
    nbformat, nbclient = (_package(name) for name in ("nbformat", "nbclient"))
    _package("ipykernel")
    shipped = shipped_notebooks()
    unknown = [name for name in names or () if name not in shipped]
    if unknown:
        raise ArgumentError(
            "There is no shipped notebook of that name",
            found=", ".join(unknown),
            next_step="name one or more of " + ", ".join(shipped),
        )
    target = Path(out).resolve()
    target.mkdir(parents=True, exist_ok=True)
    before = _files(target)
    variables = {RELEASE_VARIABLE: str(Path(release).resolve()), FIGURES_VARIABLE: str(target)}
    wanted = [name for name in shipped if names is None or name in names]
    for i, name in enumerate(wanted, start=1):
        if progress:
            progress(f"running notebook {i} of {len(wanted)}: {name}")
        _execute(nbformat, nbclient, shipped[name], variables)
    after = _files(target)
    return sorted(path for path, state in after.items() if before.get(path) != state)


def _package(name: str) -> Any:
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise MissingPackageError(
            "The notebooks need packages that are not installed",
            found=f"no package '{name}'",
            next_step="install them with: pip install 'cohortkit[notebooks]'",
        ) from error


def _files(folder: Path) -> dict[Path, tuple[int, int]]:
    """Each file with what changes when it is written again."""
    return {
        path: (path.stat().st_mtime_ns, path.stat().st_ino)
        for path in folder.rglob("*")
        if path.is_file()
    }


def _execute(nbformat: Any, nbclient: Any, path: Path, variables: dict[str, str]) -> None:
    notebook = nbformat.read(path, as_version=4)
    managers = importlib.import_module("jupyter_client.manager")
    # Kernel and client have different working folders, so the sockets need an absolute place.
    with tempfile.TemporaryDirectory(prefix="ck-") as sockets:
        manager = managers.AsyncKernelManager(
            kernel_name="python3",
            transport="ipc",
            ip=str(Path(sockets) / "k"),
            connection_file=str(Path(sockets) / "kernel.json"),
        )
        client = nbclient.NotebookClient(
            notebook,
            km=manager,
            timeout=CELL_SECONDS,
            record_timing=False,
            resources={"metadata": {"path": str(path.parent)}},
        )
        try:
            client.execute(cleanup_kc=True, env=os.environ | variables)
        except nbclient.exceptions.CellExecutionError as error:
            raise _stopped(path.name, error.ename, error.evalue) from error


def _stopped(notebook: str, kind: str, message: str) -> CohortkitError:
    """The error of a cell as the command says it: one of ours as it was, placed in its notebook."""
    own = getattr(errors, kind, None)
    if isinstance(own, type) and issubclass(own, CohortkitError):
        told = own.from_text(message)
        if told is not None:
            return told.within(f"notebook {notebook}")
    return CohortkitError(
        "A notebook stopped with an error",
        where=f"notebook {notebook}",
        found=f"{kind}: {message}",
        next_step="open the notebook on the same release and run it cell by cell",
    )
