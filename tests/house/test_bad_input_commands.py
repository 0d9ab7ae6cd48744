"""I give bad and odd files to every command that reads pictures, not only to `join`: each ends in words, nothing is
touched, nothing is left behind. A choice of cases here; all of them by `python tests/fixtures/bad_commands.py`.
"""

from __future__ import annotations

import gc
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import joined
import pytest
from bad_case import state
from bad_commands import KINDS, everything, give, kind_of
from bad_pictures import ROOT
from small_jobs import JOBS, READERS, SmallJob, invoke, page

import stitchbed
from stitchbed.core.errors import CannotWrite, StitchbedError, UnreadableTile, WouldTouchOriginal
from stitchbed.core.files import MADE

CHOSEN = (
    "cut-plain-data.tif", "cut-deflate-directory.tif", "ten-gigapixels.tif", "ten-gigapixels.png", "sides-60000.jpg",
    "circle-of-one-view.tif", "photometric-5.tif", "cmyk.jpg", "float-nan.tif", "bits-32.tif", "deflate-of-100-mb.tif",
    "junk-lzw.tif", "junk.png", "jpeg-of-16-bits.tif", "dpi-zero.tif", "dpi-huge.jpg", "profile-none.tif",
    "one-pixel.tif",
    "folder.tif", "link", "link-dangling", "link-in-a-circle", "missing", "name-too-long", "name-long",
    "name-line-break",
    "name-not-ascii", "name-backward", "name-no-text", "pipe", "all-black", "all-white", "all-transparent",
    "two-by-two",
    "one-bit", "gray-16", "dpi-1", "dpi-100000", "markup-name", "shell-name", "exif-turn-8", "suffix-lies",
)  # fmt: skip
CASES = {case.name: case for case in everything()}


@pytest.fixture(scope="module", params=READERS)
def job(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> SmallJob:
    """A small job of each command."""
    return JOBS[request.param](tmp_path_factory.mktemp("job"))


@pytest.mark.parametrize("name", CHOSEN)
def test_a_bad_file_ends_in_words(job: SmallJob, name: str, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "out").mkdir()
    try:
        bad = CASES[name].place(tmp_path / "in")
    except OSError as error:
        pytest.skip(f"no such file can be made here: {error.strerror}")
    assert give(job, CASES[name], bad, tmp_path / "out") in ("refused", "done")


def test_every_kind_of_case_is_there() -> None:
    """At least 150 cases, some of every kind; `python tests/fixtures/bad_commands.py` prints the table."""
    kinds = [kind_of(case) for case in everything()]
    assert len(kinds) >= 150 and {kind for _, kind in KINDS} <= set(kinds)
    assert all(kinds.count(kind) >= 5 for _, kind in KINDS)


@pytest.mark.parametrize("name", [name for name in READERS if name not in ("check", "export", "compare")])
@pytest.mark.parametrize("way", ["same", "symbolic link", "hard link"])
def test_no_command_writes_over_what_it_reads(name: str, way: str, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    job = JOBS[name](tmp_path / "in")
    output = job.subject
    if way != "same":
        output = tmp_path / "in" / "other.tif"
        (output.symlink_to if way == "symbolic link" else output.hardlink_to)(job.subject)
    before = state(tmp_path)
    words = list(job.words)
    words[words.index("-o") + 1] = str(output)
    assert isinstance(invoke(tuple(words), tmp_path).exception, WouldTouchOriginal)
    assert state(tmp_path) == before


@pytest.mark.parametrize("name", ["compare", "export"])
def test_copies_and_crops_do_not_fall_on_what_is_read(name: str, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    job = JOBS[name](tmp_path / "in")
    before = joined.hashes_of(list(job.reads))
    if name == "compare":
        words = (*job.words[:-1], str(job.subject))
        assert isinstance(invoke(words, tmp_path).exception, WouldTouchOriginal)
    else:  # a page that has the very name of a copy, in the folder of the copies
        out = tmp_path / "out"
        out.mkdir()
        assert invoke(job.words, out).exception is None
        victim = next(out.glob("page_print*.tif"))
        words = ("export", str(victim), "-o", str(out), "--replace", "--make", "print", "--name", "page")
        kept = victim.read_bytes()
        assert isinstance(invoke(words, out).exception, WouldTouchOriginal)
        assert victim.read_bytes() == kept
    assert joined.hashes_of(list(job.reads)) == before


def test_one_name_in_two_folders_are_two_pieces(tmp_path: Path) -> None:
    from truth import write_set

    one, two = joined.pair()[1]
    first, second = write_set(tmp_path / "a", [one], joined.DPI)[0], write_set(tmp_path / "b", [two], joined.DPI)[0]
    second = second.rename(second.with_name(first.name))
    record = stitchbed.join([first, second], tmp_path / "c.tif", joined.QUICK)
    names = [row["tile"] for row in record["placements"]]
    assert len(set(names)) == 2 and all(name.endswith(first.name) for name in names)


def test_a_piece_given_twice_counts_once_and_is_named(pieces: list[Path], tmp_path: Path) -> None:
    copy = tmp_path / "copy.tif"
    copy.write_bytes(pieces[0].read_bytes())
    record = stitchbed.join([*pieces, pieces[0], copy], tmp_path / "c.tif", joined.QUICK)
    assert len(record["placements"]) == 2
    assert any("is the same as" in warning and "left out" in warning for warning in record["warnings"])


@pytest.mark.parametrize("what", ["vanishes", "is cut off", "is another now"])
def test_a_piece_that_changes_under_the_job(what: str, pieces: list[Path], tmp_path: Path) -> None:
    """Whether it is noticed while reading or by its hash at the end, nothing is written."""

    def meddle(step: str, done: int, total: int) -> None:
        if step == "rendering" or not pieces[0].exists() or pieces[0].stat().st_size < 2000:
            return
        pieces[0].chmod(0o644)
        if what == "vanishes":
            pieces[0].unlink()
        elif what == "is cut off":
            os.truncate(pieces[0], 1000)
        else:
            pieces[0].write_bytes(pieces[1].read_bytes())

    with pytest.raises(UnreadableTile, match="piece_01"):
        stitchbed.join(pieces, tmp_path / "c.tif", joined.QUICK, progress=meddle)
    assert not list(tmp_path.glob("c.*"))


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 KiB of its own."""
    if not ROOT or sys.platform != "linux":
        pytest.skip("only root can mount a disk")
    folder = tmp_path / "disk"
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "none", folder], capture_output=True).returncode:
        pytest.skip("no disk can be mounted here")
    yield folder
    gc.collect()  # an error that was caught keeps the frames, and so the files, of what failed
    subprocess.run(["umount", folder], check=True)


@pytest.mark.parametrize("name", ["join", "join-png", "clean", "lines", "flats", "export", "rectify", "color"])
def test_a_disk_that_is_full(name: str, mounted: Path, tmp_path: Path) -> None:
    """A real disk, of which a few KiB are left. What was begun is taken away again."""
    (tmp_path / "in").mkdir()
    job = JOBS[name](tmp_path / "in")
    (mounted / "filler").write_bytes(bytes(248 * 1024 - 4096))
    result = invoke(job.words, mounted)
    assert isinstance(result.exception, CannotWrite), result.exception
    assert "no space left" in str(result.exception).lower() or "free" in str(result.exception)
    assert [path.name for path in mounted.iterdir() if not path.name.endswith((".job", MADE))] == ["filler"]


@pytest.mark.parametrize("name", ["join", "clean", "lines", "flats", "export", "rectify", "color", "card", "plan"])
def test_a_folder_nobody_may_write_to(name: str, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "out").mkdir()
    job = JOBS[name](tmp_path / "in")
    if ROOT:
        mount = ["mount", "-t", "tmpfs", "-o", "ro,size=64k", "none", str(tmp_path / "out")]
        if subprocess.run(mount, capture_output=True).returncode:
            pytest.skip("no disk can be mounted here")
    else:
        (tmp_path / "out").chmod(0o555)
    try:
        result = invoke(job.words, tmp_path / "out")
        assert isinstance(result.exception, StitchbedError), result.exception
        assert "read-only" in str(result.exception) or "permission denied" in str(result.exception)
        assert list((tmp_path / "out").iterdir()) == []
    finally:
        if ROOT:
            subprocess.run(["umount", tmp_path / "out"], check=True)
        else:
            (tmp_path / "out").chmod(0o755)


@pytest.mark.parametrize("name", READERS)
def test_an_output_in_a_folder_that_is_not_there(name: str, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    job = JOBS[name](tmp_path / "in")
    if name == "check":
        pytest.skip("check writes nothing")
    result = invoke(job.words, tmp_path / "no" / "such")
    assert isinstance(result.exception, StitchbedError), result.exception
    assert not (tmp_path / "no").exists()
    assert page(tmp_path / "still.tif").exists()
