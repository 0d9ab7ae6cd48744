"""I check that every version of a job file is kept, to go back and forth, and that nothing done by hand is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitchbed.core.errors import CannotWrite
from stitchbed.desk.job import history


def test_back_and_forth_over_the_whole_history(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    texts = [f"name = 'v{number}'\r\n# ä\n" for number in range(5)]
    for number, text in enumerate(texts):
        history.changed(job, text, f"version {number}")
    seen = []
    while history.opened(job).undoes:
        seen.append(history.opened(job).undoes)
        history.moved(job, -1)
    assert seen == ["version 4", "version 3", "version 2", "version 1"]
    assert job.read_bytes() == texts[0].encode()
    for text in texts[1:]:
        history.moved(job, 1)
        assert job.read_bytes() == text.encode()
    assert history.opened(job).redoes is None
    assert history.moved(job, 1) == history.opened(job)  # at an end nothing happens


def test_a_change_after_going_back_lets_go_of_what_was_ahead_but_keeps_its_file(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    for text in ("a", "b", "c"):
        history.changed(job, text, text)
    history.moved(job, -1)
    told = history.changed(job, "d", "d")
    assert [one.sentence for one in told.versions] == ["a", "b", "d"] and told.redoes is None
    kept = {path.read_text() for path in history.folder_of(job).glob("*.toml")}
    assert kept == {"a", "b", "c", "d"}


def test_what_was_changed_by_hand_becomes_a_version(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text("by a person")
    history.changed(job, "by the desk", "an act")
    job.write_text("by a person again")
    told = history.changed(job, "by the desk again", "another act")
    assert [one.sentence for one in told.versions] == ["as it was found", "an act", history.BY_HAND, "another act"]
    history.moved(job, -1)
    assert job.read_text() == "by a person again"


@pytest.mark.parametrize("damage", ["", "[]", '{"versions": [], "place": 0}', '{"versions": 3}', "\0"])
def test_a_lost_list_loses_no_version(damage: str, tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    for text in ("a", "b"):
        history.changed(job, text, text)
    (history.folder_of(job) / history.LIST).write_text(damage)
    history.changed(job, "c", "c")
    history.moved(job, -1)
    assert job.read_text() == "b"
    assert len(list(history.folder_of(job).glob("*.toml"))) == 4


def test_a_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    job = tmp_path / "gone" / "job.toml"
    with pytest.raises(CannotWrite):
        history.changed(job, "a", "a")
    assert not job.parent.exists()
