"""I check that files appear whole or not at all, that originals cannot be named as outputs, and what records hold."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from stitchbed.core.errors import CannotWrite, WouldTouchOriginal
from stitchbed.core.files import claimed, refuse_touching, sha256_of, write_json
from stitchbed.core.record import fingerprint, plain, recording


@dataclass(frozen=True)
class _Settings:
    size: int = 3
    names: tuple[str, ...] = ("a", "b")


def test_a_claimed_file_appears_whole(tmp_path: Path) -> None:
    target = tmp_path / "out.bin"
    target.write_bytes(b"older")
    with claimed(target) as partial:
        partial.write_bytes(b"newer")
        assert target.read_bytes() == b"older"
    assert target.read_bytes() == b"newer"
    assert os.listdir(tmp_path) == ["out.bin"]


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
    with pytest.raises(CannotWrite, match="no such file"), claimed(tmp_path / "nowhere" / "out.bin"):
        pass


def test_no_overwriting_when_told_so(tmp_path: Path) -> None:
    target = tmp_path / "out.bin"
    target.write_bytes(b"older")
    with pytest.raises(WouldTouchOriginal, match="exists already"), claimed(target, overwrite=False):
        pass
    assert target.read_bytes() == b"older"


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
