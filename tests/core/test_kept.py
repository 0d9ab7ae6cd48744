"""I check that nothing damaged is taken for whole, whatever is done to a kept file."""

from __future__ import annotations

import os
import random
import zlib
from pathlib import Path

import pytest

from stitchbed.core.kept import is_kept, keep, kept_bytes, open_kept

HEAD = {"job": "abc", "row": 3}
PARTS = [bytes(range(256)) * 40, b"", b"\n{}\n" * 1000]


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """One file, as written."""
    keep(tmp_path / "row", HEAD, PARTS)
    return tmp_path / "row"


def test_what_was_kept_comes_back(kept: Path) -> None:
    assert is_kept(kept, HEAD) and is_kept(kept, {"job": "abc"})
    assert kept_bytes(kept, HEAD) == (HEAD, b"".join(PARTS))
    with open_kept(kept) as (head, file):
        assert head == HEAD and file.read(256) == PARTS[0][:256]
    assert os.listdir(kept.parent) == ["row"]


def test_its_end_is_the_standard_checksum(kept: Path) -> None:
    """CRC-32 of ISO 3309 has the check value CBF43926 for "123456789" (Williams 1993); of a kept file it is the end."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    content = kept.read_bytes()
    assert content[-4:] == zlib.crc32(content[:-4]).to_bytes(4, "big")


@pytest.mark.parametrize("expected", [{"job": "abd"}, {"row": 4}, {"codec": "zstd"}])
def test_another_job_or_row_is_not_believed(kept: Path, expected: dict[str, object]) -> None:
    assert not is_kept(kept, expected) and kept_bytes(kept, expected) is None


def test_every_damage_is_noticed(kept: Path) -> None:
    whole, chance = kept.read_bytes(), random.Random(5)
    for turn in range(400):
        at, size = chance.randrange(len(whole)), chance.randrange(1, 3000)
        damaged = {
            0: whole[:at],
            1: whole[:at] + bytes([whole[at] ^ 1 << chance.randrange(8)]) + whole[at + 1 :],
            2: whole[:at] + bytes(size) + whole[at + size :],
            3: whole + bytes(size),
            4: whole[:at] + whole[at + size :],
        }[turn % 5]
        kept.write_bytes(damaged)
        same = damaged == whole
        assert is_kept(kept, HEAD) == same and (kept_bytes(kept, HEAD) is not None) == same, (turn, at, size)


@pytest.mark.parametrize("content", [b"", b"\n", b"[]\n0000", b"\0" * 9000, b"null\n\0\0\0\0", b"[" * 100_000 + b"\n"])
def test_what_never_was_a_kept_file_is_no_error(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "row").write_bytes(content)
    assert not is_kept(tmp_path / "row", {}) and kept_bytes(tmp_path / "row", {}) is None


def test_no_file_and_a_folder_are_no_error(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none"):
        assert not is_kept(path, {}) and kept_bytes(path, {}) is None
