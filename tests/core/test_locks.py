"""I check that one job at a time writes a result, and that what killed jobs left is swept, and nothing else."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from stitchbed.core.errors import CannotWrite
from stitchbed.core.locks import locked, sweep

HOLD = """
import sys, time
from pathlib import Path
from stitchbed.core.locks import locked
with locked(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


def test_the_second_job_is_refused_at_once_and_let_in_when_the_first_ends_or_dies(tmp_path: Path) -> None:
    target = tmp_path / "canvas.tif"
    with subprocess.Popen([sys.executable, "-c", HOLD, str(target)], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None and other.stdout.readline() == "held\n"
        begun = time.monotonic()
        with pytest.raises(CannotWrite, match="another job is writing"), locked(target):
            pass
        assert time.monotonic() - begun < 1
        with locked(tmp_path / "other.tif"):
            pass
        other.send_signal(signal.SIGKILL)
    with locked(target):
        assert [path.name for path in tmp_path.iterdir()] == [".canvas.tif.lock"]
    assert list(tmp_path.iterdir()) == []


def test_a_job_that_fails_lets_go(tmp_path: Path) -> None:
    for _ in range(2):
        with pytest.raises(RuntimeError), locked(tmp_path / "canvas.tif"):
            raise RuntimeError
    assert list(tmp_path.iterdir()) == []


def test_no_folder_is_told_by_its_name(tmp_path: Path) -> None:
    said = r"there is no folder .*prints to write canvas\.tif into"
    with pytest.raises(CannotWrite, match=said), locked(tmp_path / "prints" / "canvas.tif"):
        pass


def test_only_what_the_dead_left_of_these_results_is_swept(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", "pass"]) as gone:
        gone.wait()
    dead, alive = gone.pid, os.getpid()
    swept = [f".a.tif.{dead}.partial", f".a.tif.{dead}.x1_y.rows", f".a_steps.{dead}.old.partial"]
    kept = [
        f".a.tif.{alive}.partial", f".b.tif.{dead}.partial", f"a.tif.{dead}.partial", ".a.tif.lock", ".a.tif.job",
        ".a.tif.partial", f".a.tif.{dead}.tif", "a.tif",
    ]  # fmt: skip
    for name in [*swept, *kept]:
        (tmp_path / name).mkdir() if name.endswith(("rows", "job")) else (tmp_path / name).write_bytes(b"")
    (tmp_path / swept[1] / "row-00000").write_bytes(b"x")
    sweep([tmp_path / "a.tif", tmp_path / "a_steps"])
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(kept)
