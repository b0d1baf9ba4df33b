"""One writer at a time, and no lock that outlives its holder."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys

import pytest

from cohortkit.cohort.locking import LOCK_NAME, writer_lock
from cohortkit.errors import CohortkitError

HOLD = """
import sys, time
from cohortkit.cohort.locking import writer_lock
with writer_lock(sys.argv[1]):
    print("held", flush=True)
    time.sleep(60)
"""


def test_lock_says_who_holds_it(tmp_path):
    with writer_lock(tmp_path):
        note = json.loads((tmp_path / LOCK_NAME).read_text())
    assert note["pid"] == os.getpid()


def test_second_writer_is_told_and_the_lock_dies_with_its_holder(tmp_path):
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE)
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(CohortkitError, match=f"process {holder.pid}"), writer_lock(tmp_path):
        pass
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    holder.stdout.close()
    with writer_lock(tmp_path):
        pass


def test_temporary_names_of_the_dead_are_swept(tmp_path):
    stale = tmp_path / ".out~01234567.89abcdef-1-01234567.partial"
    stale.mkdir()
    (stale / "a").write_bytes(b"half")
    with writer_lock(tmp_path):
        assert not stale.exists()


def test_lock_is_free_after_an_error(tmp_path):
    with pytest.raises(KeyError), writer_lock(tmp_path):
        raise KeyError
    with writer_lock(tmp_path):
        pass


def test_missing_folder_and_linked_lock_file_are_refused(tmp_path):
    with pytest.raises(CohortkitError, match="cannot be locked"), writer_lock(tmp_path / "no"):
        pass
    (tmp_path / LOCK_NAME).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CohortkitError, match="cannot be locked"), writer_lock(tmp_path):
        pass
    assert not (tmp_path / "elsewhere").exists()
