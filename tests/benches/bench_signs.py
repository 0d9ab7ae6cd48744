"""I measure how long each step of a page takes, and the longest time it goes on without a sign of life.

By hand: python tests/benches/bench_signs.py PAGE.tif FOLDER [workers]. Results go into FOLDER. Prints of clean, lines,
flats, layers and of a whole `run` of the page: s by the clock and of the processors, the signs of life, the longest gap
between two of them and what was told before and after it. Bounds: a gap of 1 s; of a page of 100 MP at 600 dpi on two
quiet cores clean 25 s, lines 8, flats 12, layers 30.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import shutil
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

from stitchbed.core.progress import Progress
from stitchbed.jobs.folder import prepared
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.pages import run_whole
from stitchbed.jobs.run import RunSettings
from stitchbed.jobs.steps import STEPS
from stitchbed.pipelines.clean import CleanSettings, clean
from stitchbed.pipelines.export import ExportSettings, export
from stitchbed.pipelines.flats import FlatsSettings, fill_flats
from stitchbed.pipelines.lines import LinesSettings, lift_lines

GAP = 1.0  # s
Sign = tuple[float, str]  # s since the beginning, what was told


def main(page: Path, folder: Path, workers: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    made = {name: folder / f"{name}.tif" for name in ("clean", "lines", "flats")}
    layers = ExportSettings(("layers",), made["lines"], made["flats"], workers=workers)
    steps: dict[str, Callable[[Progress], object]] = {
        "clean": lambda tell: clean(page, made["clean"], CleanSettings(workers=workers), progress=tell),
        "lines": lambda tell: lift_lines(made["clean"], made["lines"], LinesSettings(workers=workers), progress=tell),
        "flats": lambda tell: fill_flats(made["lines"], made["flats"], FlatsSettings(workers=workers), progress=tell),
        "layers": lambda tell: export(made["clean"], folder, layers, progress=tell),
        "run": lambda tell: _run(page, folder / "job", workers, tell),
    }
    for name, do in steps.items():
        print(name, measured(do), flush=True)


def measured(do: Callable[[Progress], object]) -> str:
    """What a step took, and its longest gap."""
    begun, spent = time.perf_counter(), time.process_time()
    signs: list[Sign] = [(0.0, "the beginning")]

    def tell(step: str, done: int, total: int) -> None:
        signs.append((time.perf_counter() - begun, f"{step} {done} of {total}"))

    do(tell)
    signs.append((time.perf_counter() - begun, "the end"))
    gap, before, after = max((b[0] - a[0], a[1], b[1]) for a, b in pairwise(signs))
    kept = "kept" if gap <= GAP else "MISSED"
    return (
        f"{signs[-1][0]:.1f} s, of processors {time.process_time() - spent:.1f} s; {len(signs)} signs, "
        f"longest gap {gap:.2f} s {kept}: {before} -> {after}"
    )


def _run(page: Path, folder: Path, workers: int, tell: Progress) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    shutil.copy(page, folder / page.name)
    made = prepared(folder, out=None, kind="pages", workers=workers, progress=tell)
    run_whole(job_of(made.path, list(STEPS), out=None), RunSettings(workers=workers), progress=tell)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 2)
