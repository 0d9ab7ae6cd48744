"""I check that files are told as they come into a folder: whole ones, each once, with their place and what is next."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from stitchbed.core.errors import BadSettings
from stitchbed.pipelines.scanning.watch import WatchSettings, settled_files, watch
from stitchbed.pipelines.texts.watch import arrival

DEMO = Path(__file__).parents[2] / "demo_tiles"
FIRST, SECOND, FAR = "tram_map_top_1.tif", "tram_map_top_2.tif", "tram_map_top_4.tif"


def test_a_file_that_grows_is_waited_for(tmp_path: Path) -> None:
    seen: dict[Path, Any] = {}
    data = (DEMO / FIRST).read_bytes()
    path = tmp_path / "scan.tif"
    for end in (1000, 200_000, len(data) - 10):
        path.write_bytes(data[:end])
        assert settled_files(tmp_path, seen, 0.05) == []
        time.sleep(0.06)
        assert settled_files(tmp_path, seen, 0.05) == []  # calm, but its header tells of more than is there
    path.write_bytes(data)
    assert settled_files(tmp_path, seen, 0.05) == []
    time.sleep(0.06)
    assert settled_files(tmp_path, seen, 0.05) == [path]
    assert settled_files(tmp_path, seen, 0.05) == []
    os.utime(path, ns=(1, 1))  # scanned once more under the same name
    settled_files(tmp_path, seen, 0.05)
    time.sleep(0.06)
    assert settled_files(tmp_path, seen, 0.05) == [path]
    (tmp_path / ".hidden.tif").write_bytes(data)
    (tmp_path / "notes.txt").write_text("no scan")
    time.sleep(0.06)
    assert all(one.name != ".hidden.tif" for one in settled_files(tmp_path, seen, 0.0))


def test_each_piece_is_told_with_its_place_and_what_comes_next(tmp_path: Path) -> None:
    told: list[Any] = []
    coming = [FIRST, SECOND, FAR]

    def bring() -> bool:
        """The next piece comes when the one before was told."""
        if len(told) == len(coming):
            return True
        target = tmp_path / coming[len(told)]
        if not target.exists():
            shutil.copyfile(DEMO / target.name, target)
        return False

    settings = WatchSettings("620x440mm", "216x297mm", calm=0.0, every=0.01)
    watch(tmp_path, told.append, settings, cancel=bring)
    assert [one["new"] for one in told] == [[FIRST], [SECOND], [FAR]]
    islands = [[row["island"] for row in one["record"]["placements"]] for one in told]
    assert islands[:2] == [[0], [0, 0]]
    assert islands[2].count(1) == 1  # the far corner overlaps neither of them
    shares = [one["next"]["covered"] for one in told]
    assert 0.15 < shares[0] < shares[1] and shares[2] == pytest.approx(shares[1])
    assert "to the right" in told[0]["next"]["words"] and "the same way up" in told[0]["next"]["words"]
    assert "and fits" in arrival(told[1]) and "NO PLACE" in arrival(told[2]) and "covered" in arrival(told[2])


def test_a_folder_that_is_none_and_a_size_alone(tmp_path: Path) -> None:
    for folder, settings in (
        (tmp_path / "none", None),
        (tmp_path, WatchSettings("A2")),
        (tmp_path, WatchSettings("x", "y")),
    ):
        with pytest.raises(BadSettings):
            watch(folder, lambda told: None, settings, cancel=lambda: True)


def test_the_command_tells_and_ends(tmp_path: Path) -> None:
    import signal

    command = [sys.executable, "-m", "stitchbed", "check", "--watch", "--json", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as one:
        shutil.copyfile(DEMO / FIRST, tmp_path / FIRST)
        assert one.stdout is not None and one.stderr is not None
        try:
            told = json.loads(one.stdout.readline())
            assert told["new"] == [FIRST] and told["record"]["pieces"][0]["verdict"]
            one.send_signal(signal.SIGTERM)  # Ctrl-C is not heard by what runs in the background of a script
            assert one.wait(15) == 143 and "Traceback" not in one.stderr.read()
        finally:
            one.kill()
