"""I check that files appear whole or not at all, that originals cannot be named as outputs, and what records hold."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from stitchbed.core.errors import CannotWrite, WouldTouchOriginal
from stitchbed.core.files import (
    MADE,
    claim,
    claimed,
    claimed_folder,
    is_ours,
    refuse_touching,
    sha256_of,
    write_json,
)
from stitchbed.core.record import fingerprint, plain, recording


@dataclass(frozen=True)
class _Settings:
    size: int = 3
    names: tuple[str, ...] = ("a", "b")


def write(path: Path, content: bytes) -> None:
    """As every writer of the house does."""
    with claimed(path) as partial:
        partial.write_bytes(content)


def test_a_claimed_file_appears_whole(tmp_path: Path) -> None:
    target = tmp_path / "out.bin"
    write(target, b"older")
    with claimed(target) as partial:
        partial.write_bytes(b"newer")
        assert target.read_bytes() == b"older"
    assert target.read_bytes() == b"newer"
    assert sorted(os.listdir(tmp_path)) == [MADE, "out.bin"]


@pytest.mark.parametrize("fault", [RuntimeError("stop"), KeyboardInterrupt()])
def test_a_failure_leaves_what_was_there(tmp_path: Path, fault: BaseException) -> None:
    target = tmp_path / "out.bin"
    target.write_bytes(b"older")
    with pytest.raises(type(fault)), claimed(target) as partial:
        partial.write_bytes(b"half")
        raise fault
    assert target.read_bytes() == b"older" and os.listdir(tmp_path) == ["out.bin"]


def test_a_full_disk_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(CannotWrite, match="no space left"), claimed(tmp_path / "out.bin"):
        raise OSError(28, "No space left on device")
    assert os.listdir(tmp_path) == []


def test_a_missing_folder_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(CannotWrite, match="there is no folder"), claimed(tmp_path / "nowhere" / "out.bin"):
        pass


def test_what_was_not_made_here_is_refused_or_kept_aside(tmp_path: Path) -> None:
    target = tmp_path / "out.bin"
    target.write_bytes(b"mine")
    with pytest.raises(WouldTouchOriginal, match="--replace"):
        claim([target], [])
    assert "out-1.bin" in claim([target], [], replace=True)[0]
    write(target, b"ours")
    assert target.read_bytes() == b"ours" and (tmp_path / "out-1.bin").read_bytes() == b"mine"
    assert claim([target], []) == [] and is_ours(target) and not is_ours(tmp_path / "out-1.bin")
    target.write_bytes(b"ours, retouched")
    with pytest.raises(WouldTouchOriginal, match="no longer"):
        claim([target], [])
    write(target, b"newer")
    assert (tmp_path / "out-2.bin").read_bytes() == b"ours, retouched" and target.read_bytes() == b"newer"


@pytest.mark.parametrize(
    "name", ["plain.tif", "back\\slash", "new\nline", "car\rriage", "ü ü", "a" * 200, os.fsdecode(b"\xff\xfe")]
)
def test_the_list_of_what_was_made_is_a_checksum_list(tmp_path: Path, name: str) -> None:
    """`sha256sum -c` of the GNU coreutils reads it, odd names too; a line torn by a power cut spoils no other."""
    write(tmp_path / name, b"one")
    with (tmp_path / MADE).open("ab") as file:
        file.write(b"0123abc")
    write(tmp_path / name, b"two")
    assert is_ours(tmp_path / name)
    last = (tmp_path / MADE).read_bytes().splitlines(keepends=True)[-1]
    (tmp_path / "list").write_bytes(last)
    told = subprocess.run(["sha256sum", "-c", "--strict", "list"], cwd=tmp_path, capture_output=True, check=False)
    assert told.returncode == 0 and told.stdout.rstrip().endswith(b"OK"), told


def test_a_folder_is_ours_while_nothing_in_it_changed(tmp_path: Path) -> None:
    target = tmp_path / "steps"
    for turn in range(2):
        claim([target], [])
        with claimed_folder(target) as partial:
            (partial / "a").mkdir()
            (partial / "a" / "one.png").write_bytes(b"%d" % turn)
        (target / ".DS_Store").write_bytes(b"left by a window that showed it")
        assert is_ours(target) and (target / "a" / "one.png").read_bytes() == b"%d" % turn
    (target / "notes.txt").write_bytes(b"mine")
    assert not is_ours(target)
    with pytest.raises(WouldTouchOriginal, match="lies in"):
        claim([target], [target / "notes.txt"])
    with claimed_folder(target) as partial:
        (partial / "new.png").write_bytes(b"new")
    assert (tmp_path / "steps-1" / "notes.txt").read_bytes() == b"mine" and (target / "new.png").exists()
    assert sorted(os.listdir(tmp_path)) == [MADE, "steps", "steps-1"]


def test_two_results_of_one_name_are_refused(tmp_path: Path) -> None:
    with pytest.raises(WouldTouchOriginal, match="two results"):
        claim([tmp_path / "a.png", tmp_path / "b" / ".." / "a.png"], [])


@pytest.mark.parametrize("kind", ["pipe", "folder", "link to nowhere"])
def test_what_is_no_file_is_in_the_way(tmp_path: Path, kind: str) -> None:
    target = tmp_path / "out.bin"
    write(target, b"listed once")
    target.unlink()
    {"pipe": os.mkfifo, "folder": Path.mkdir, "link to nowhere": lambda p: p.symlink_to("nowhere")}[kind](target)
    with pytest.raises(WouldTouchOriginal):
        claim([target], [])


@pytest.mark.parametrize("way", ["same", "symbolic link", "hard link", "dotted", "folder link"])
def test_an_original_is_recognized_by_any_name(tmp_path: Path, way: str) -> None:
    original = tmp_path / "scan.tif"
    original.write_bytes(b"precious")
    named = {
        "same": original,
        "symbolic link": tmp_path / "soft.tif",
        "hard link": tmp_path / "hard.tif",
        "dotted": tmp_path / "sub" / ".." / "scan.tif",
        "folder link": tmp_path / "again" / "scan.tif",
    }[way]
    (tmp_path / "sub").mkdir()
    (tmp_path / "soft.tif").symlink_to(original)
    (tmp_path / "hard.tif").hardlink_to(original)
    (tmp_path / "again").symlink_to(tmp_path, target_is_directory=True)
    with pytest.raises(WouldTouchOriginal, match="one of the input files"):
        refuse_touching(named, [tmp_path / "other.tif", original])
    with pytest.raises(WouldTouchOriginal), claimed(named, originals=[original]):
        pass
    assert original.read_bytes() == b"precious"


def test_another_file_of_the_same_name_is_free(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    refuse_touching(tmp_path / "sub" / "scan.tif", [tmp_path / "scan.tif"])


def test_a_record_times_its_step() -> None:
    with recording("links", _Settings()) as record:
        record.numbers["links"] = 12
    assert record.step == "links" and record.settings == {"size": 3, "names": ["a", "b"]}
    assert 0 <= record.seconds < 5 and record.started.endswith("+00:00")


def test_a_failed_step_is_timed_too() -> None:
    kept = []
    with pytest.raises(ValueError, match="no"), recording("links") as record:
        kept.append(record)
        raise ValueError("no")
    assert kept[0].started and kept[0].settings == {}


def test_everything_becomes_plain_json(tmp_path: Path) -> None:
    value = {
        "array": np.array([[1.5, np.nan]]), "number": np.float32(0.5), "count": np.int64(3), "flag": np.bool_(True),
        "set": {"b", "a"}, "path": tmp_path, "bytes": b"123", "infinite": float("inf"), "settings": _Settings(),
        7: None,
    }  # fmt: skip
    assert plain(value) == {
        "array": [[1.5, None]], "number": 0.5, "count": 3, "flag": True, "set": ["a", "b"], "path": str(tmp_path),
        "bytes": "3 bytes", "infinite": None, "settings": {"size": 3, "names": ["a", "b"]}, "7": None,
    }  # fmt: skip
    write_json(tmp_path / "record.json", value)
    assert json.loads((tmp_path / "record.json").read_text()) == plain(value)


def test_fingerprints_tell_inputs_apart() -> None:
    assert fingerprint({"b": 1, "a": 2}) == fingerprint({"a": 2, "b": 1})
    assert fingerprint(_Settings()) == fingerprint(_Settings(3))
    assert fingerprint(_Settings()) != fingerprint(_Settings(4))
    assert fingerprint("a", "b") != fingerprint("ab")


def test_hashes_are_those_of_the_bytes(tmp_path: Path) -> None:
    data = np.random.default_rng(1).bytes(300_000)
    (tmp_path / "x").write_bytes(data)
    assert sha256_of(tmp_path / "x") == hashlib.sha256(data).hexdigest()
    # FIPS 180-4 example: SHA-256 of "abc"
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256_of(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
