"""I try to make commands write over what they read, by hand: python tests/benches/bench_originals.py [COMMAND ...].

For every command and every pair of a path it reads (pieces, pages, masks, tables, layers, job files) and a path it
writes (results, records, pictures, folders), the one is put in the other's place: as a hard link, as a link, through a
link to its folder, and by another spelling of its name; with and without `--replace`. Whatever the end, the bytes of
all that is read must be as before, under its name.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import hashlib
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

from small_jobs import JOBS, SmallJob, invoke, page

from stitchbed.core.files import MADE

WAYS = ("hard link", "link", "link to its folder", "other spelling")


def with_file(job: SmallJob, option: str, path: Path) -> SmallJob:
    """The job with one more file that it reads."""
    return replace(job, words=(*job.words, option, str(path)), reads=(*job.reads, path))


def jobs(name: str, folder: Path) -> SmallJob:
    """A small job of that name that reads as many files as the command takes."""
    job = JOBS[name](folder)
    if name == "clean":
        return with_file(job, "--repair-mask", page(folder / "mask.tif"))
    if name == "flats":
        return with_file(job, "--from", page(folder / "colors.tif"))
    if name == "color":
        return with_file(job, "--chart-in", Path(shutil.copy(job.reads[0], folder / "other.tif")))
    if name == "rectify":
        return with_file(job, "--blank", page(folder / "blank.tif"))
    return job


def written(job: SmallJob, out: Path) -> list[str]:
    """Names of all a job writes into an empty folder."""
    out.mkdir()
    done = invoke(job.words, out)
    if done.exception is not None:
        print(f"  alone: {done.exception}")
    files = [path.relative_to(out) for path in out.rglob("*") if path.name != MADE]
    return sorted(str(path) for path in files)


def placed(read: Path, target: Path, way: str, folder: Path) -> Path:
    """Put the file where the command writes; returns what it is to be called among the inputs."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if way == "hard link":
        target.hardlink_to(read)
        return read
    if way == "link":
        target.symlink_to(read)
        return read
    shutil.copy(read, target)
    if way == "other spelling":
        return target.parent / ".." / target.parent.name / "." / target.name
    (folder / "linked").symlink_to(target.parent)
    return folder / "linked" / target.name


def main() -> None:
    """Each job named, or all."""
    lost, ends = [], Counter[str]()
    for name in sys.argv[1:] or JOBS:
        pairs = 0
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            (folder / "in").mkdir()
            job = jobs(name, folder / "in")
            content = {path: path.read_bytes() for path in job.reads}
            for result in written(job, folder / "out"):
                for read in job.reads:
                    # what stands in a folder that is given cannot be called otherwise
                    for way in WAYS if str(read) in job.words else WAYS[:2]:
                        for more in ((), ("--replace",)):
                            shutil.rmtree(folder / "out")
                            (folder / "linked").unlink(missing_ok=True)
                            called = placed(read, folder / "out" / result, way, folder)
                            words = tuple(str(called) if word == str(read) else word for word in job.words)
                            end = invoke((*words, *more), folder / "out")
                            ends[type(end.exception).__name__] += 1
                            pairs += 1
                            for path, before in {**content, called: content[read]}.items():
                                now = path.read_bytes() if path.is_file() else b""
                                if hashlib.sha256(now).digest() != hashlib.sha256(before).digest():
                                    lost.append(f"{name}: {path.name} where {result} goes, {way} {more}")
                                    print("LOST", lost[-1], flush=True)
                                    path.unlink(missing_ok=True)
                                    path.write_bytes(before)
        print(f"{name}: {pairs} tried", flush=True)
    print(f"{sum(ends.values())} tried, {len(lost)} lost; ends {dict(ends)}")
    raise SystemExit(bool(lost))


if __name__ == "__main__":
    main()
