"""I make the disk fail at every write, sync, rename and new folder of every command in turn, and look at what is left.

Each time: words and no traceback, every final name absent or whole (what stood there before is kept), nothing else left
behind, originals untouched.
"""

from __future__ import annotations

import errno
import hashlib
import json
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import joined
import numpy as np
import pytest
import truth
from faulty_disk import Disk, failing
from small_jobs import JOBS, invoke, page

import stitchbed
from stitchbed.core.errors import CannotWrite
from stitchbed.core.files import MADE, claimed
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.seams import SeamMap
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement
from stitchbed.mosaic.result.pictures import write_pictures
from stitchbed.pipelines import proof
from stitchbed.reading.intake import take_in

WRITERS = tuple(name for name in JOBS if name != "check")
# calls tried for one command; of more, evenly chosen ones (all of them: python tests/benches/bench_faults.py)
AT_MOST = 12
SLOW = {"card": 3, "join-two": 4, "compare": 4, "rectify": 4, "color": 8}


def tree(folder: Path) -> dict[str, str]:
    """Every file below a folder with its hash, and every folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(folder.rglob("*"))
    }


def visible(folder: Path) -> dict[str, str]:
    """Without the hidden job folder of a join: a full disk leaves it on purpose, the same command goes on from it; and
    without the lists of what was made.
    """
    jobs = [path.relative_to(folder) for path in folder.rglob(".*.job")]
    return {
        name: got
        for name, got in tree(folder).items()
        if Path(name).name != MADE and not any(Path(name).is_relative_to(job) for job in jobs)
    }


def turns(count: int, most: int) -> list[int]:
    """Numbers of the calls to fail at: all, or evenly chosen ones with the first and the last."""
    return (
        sorted({1 + round(k * (count - 1) / (most - 1)) for k in range(most)})
        if count > most
        else [*range(1, count + 1)]
    )


def is_whole(path: Path, got: str, known: str | None) -> bool:
    """A file is whole when it has the bytes of a run without faults; what holds times is read to its end instead."""
    if path.suffix == ".json":
        return path.read_bytes().startswith(b"older") or isinstance(json.loads(path.read_text()), dict)
    if path.suffix == ".html":
        return path.read_text().startswith("older") or path.read_text().endswith("</body></html>\n")
    if path.name in ("card.pdf", "card.png"):  # these say when they were made
        return path.read_bytes().rstrip().endswith((b"%%EOF", b"IEND\xaeB`\x82"))
    return got == known


def judge(error: BaseException | None, out: Path, before: dict[str, str], whole: dict[str, str]) -> None:
    """What must hold after any fault."""
    after = visible(out)
    if error is not None:
        assert isinstance(error, CannotWrite), repr(error)
        assert error.found and error.expected and error.attempt
        assert "no space left" in str(error).lower() or "input/output error" in str(error).lower()
    else:
        assert set(after) == set(whole)
    for name, got in after.items():
        assert name in whole, f"left behind: {name}"
        assert got == before.get(name) or is_whole(out / name, got, whole[name]), f"neither old nor whole: {name}"
    assert set(before) <= set(after)


def fail_in_turn(
    work: Callable[[Path], object], folder: Path, names: tuple[str, ...] | None = None, *, most: int = AT_MOST
) -> int:
    """Do `work(out)` once without a fault, then with one at each call in turn; returns how often it was refused.

    Every second time older files stand under the names to be written. names : what is to be written at least.
    """
    (folder / "whole").mkdir()
    with failing(Disk(folder / "whole")) as disk:
        work(folder / "whole")
    whole, told = visible(folder / "whole"), 0
    assert len(disk.calls) >= 3 and set(names or ()) <= set(whole)
    for number in turns(len(disk.calls), most):
        out = folder / f"out-{number}"
        out.mkdir()
        for path in (path for path in whole if "/" not in path and whole[path] != "folder" and number % 4 < 2):
            with claimed(out / path) as partial:  # an earlier result
                partial.write_bytes(b"older " + path.encode())
        before, error = visible(out), None
        code, lasting = ((errno.ENOSPC, True), (errno.EIO, False))[number % 2]
        try:
            with failing(Disk(out, number, code, lasting)):
                work(out)
        except Exception as caught:  # judged below
            error = caught
        judge(error, out, before, whole)
        told += error is not None
    # a folder that cannot be synced is no reason to fail (see ground.job); everything else is
    assert told >= 0.6 * len(turns(len(disk.calls), most))
    return told


def doing(words: tuple[str, ...]) -> Callable[[Path], object]:
    """A command as work of `fail_in_turn`."""

    def work(out: Path) -> None:
        error = invoke(words, out).exception
        if error is not None:
            raise error

    return work


@pytest.mark.parametrize("name", WRITERS)
def test_every_call_of_a_command_may_fail(name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "in").mkdir()
    job = JOBS[name](tmp_path / "in")
    reads = joined.hashes_of(list(job.reads))
    fail_in_turn(doing(job.words), tmp_path, most=SLOW.get(name, AT_MOST))
    assert joined.hashes_of(list(job.reads)) == reads
    assert "Traceback" not in "".join(capfd.readouterr())


def test_a_proof_with_tiles_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof, "INSIDE_PIXELS", 1000)
    canvas = page(tmp_path / "page.tif")
    names = ("proof.html", "proof_files", "proof_files/pyramid.json")
    fail_in_turn(lambda out: proof.write_proof(out / "proof.html", {}, canvas), tmp_path, names)


def test_the_pictures_of_a_record(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    job = JOBS["join-raw"](tmp_path / "in")
    assert invoke(job.words, tmp_path / "in").exception is None
    canvas = tmp_path / "in" / "canvas.tif"
    record = json.loads(canvas.with_suffix(".json").read_text())
    (tile,) = take_in([job.subject])[0]
    place = Placement(tile.name, tile.raster.shape[:2], np.eye(3))
    plain = Canvas(*tile.raster.shape[:2], 100.0, np.eye(3))
    plan = Plan((tile,), plain, (place,), (), SeamMap(np.zeros((9, 9), np.uint16), 40), 3, "uint8", None)

    def work(out: Path) -> None:
        copy = out / "canvas.tif"
        if not copy.exists() or copy.read_bytes().startswith(b"older"):
            copy.unlink(missing_ok=True)
            copy.hardlink_to(canvas)
        write_pictures(copy, plan, record)

    assert fail_in_turn(work, tmp_path, ("canvas.residuals.png", "canvas.seams.png")) >= 6


def test_a_join_goes_on_after_the_fault_is_mended(tmp_path: Path) -> None:
    """With the job folder kept: whatever call failed, the same job afterwards gives the bytes of an undisturbed one."""
    paths = truth.write_set(tmp_path / "in", joined.pair()[1], joined.DPI)
    settings = stitchbed.JoinSettings(workers=1, keep_job=True)
    (tmp_path / "whole").mkdir()
    with failing(Disk(tmp_path / "whole")) as disk:
        stitchbed.join(paths, tmp_path / "whole" / "c.tif", settings)
    truth_bytes = (tmp_path / "whole" / "c.tif").read_bytes()
    out = tmp_path / "out"
    out.mkdir()
    for number in turns(len(disk.calls), 16)[1:-3]:
        with failing(Disk(out, number, errno.EIO)), suppress(CannotWrite):
            stitchbed.join(paths, out / "c.tif", settings)
        stitchbed.join(paths, out / "c.tif", settings)
        assert (out / "c.tif").read_bytes() == truth_bytes
        (rows,) = (path for path in (out / ".c.tif.job").iterdir() if path.name.endswith("-deflate"))
        shutil.rmtree(rows)  # the plan stays, so that the next round is quick
        assert {path.name for path in out.iterdir() if not path.name.startswith("c.")} == {".c.tif.job", MADE}
