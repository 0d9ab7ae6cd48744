"""I check that only folders that were listed can be asked for, and what is told of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitchbed.desk.job import folders
from stitchbed.desk.job.folders import Folders
from stitchbed.desk.job.pieces import id_of


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A person's folder: two folders, a hidden one, pictures and others."""
    for name in ("b scans", "a job", ".hidden"):
        (tmp_path / name).mkdir()
    for name in ("1.tif", "2.PNG", "notes.txt", ".3.tif"):
        (tmp_path / "b scans" / name).write_bytes(b"")
    (tmp_path / "letter.tif").write_bytes(b"")
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    monkeypatch.setattr(folders, "MOUNTS", (str(tmp_path / "none"),))
    return tmp_path


def test_looking_begins_at_home_and_beside_the_job(home: Path) -> None:
    known = Folders()
    starts = known.starts(home / "a job" / "job.toml")
    assert [one.name for one in starts] == [str(home), str(home / "a job")]
    assert [one.pictures for one in starts] == [1, 0]
    assert known.known == {id_of(home): home, id_of(home / "a job"): home / "a job"}


def test_a_folder_tells_those_in_it_in_order_and_the_one_it_lies_in(home: Path) -> None:
    known = Folders()
    known.starts(home / "job.toml")
    told = known.inside(id_of(home))
    assert told is not None
    own, inner, above = told
    assert own.name == str(home) and above is not None and above.id == id_of(home.parent)
    assert [(one.name, one.pictures) for one in inner] == [("a job", 0), ("b scans", 2)]
    deeper = known.inside(inner[1].id)
    assert deeper is not None and deeper[1] == []


def test_what_was_not_listed_is_not_told(home: Path) -> None:
    known = Folders()
    assert known.inside(id_of(home)) is None
    known.starts(home / "job.toml")
    assert known.inside(id_of(home / "b scans")) is None  # it lies there, but nobody opened the one round it


def test_the_root_lies_in_nothing_and_a_folder_that_is_gone_is_empty(home: Path) -> None:
    known = Folders()
    known.known = {"root": Path("/"), "gone": home / "gone"}
    assert known.inside("root")[2] is None  # type: ignore[index]
    assert known.inside("gone")[1] == []  # type: ignore[index]


def test_long_lists_end(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folders, "MOST", 1)
    monkeypatch.setattr(folders, "MOST_COUNTED", 1)
    known = Folders()
    known.starts(home / "job.toml")
    inner = known.inside(id_of(home))[1]  # type: ignore[index]
    assert len(inner) == 1 and inner[0].pictures == 0
