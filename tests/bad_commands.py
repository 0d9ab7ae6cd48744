"""I give a bad or odd file to a command in place of one it was made for, and look at how the command ends.

In: a small job and a bad input. Out: what became of it, in one word; anything that must not be raises.
"""

from __future__ import annotations

import collections
import contextlib
import os
import shutil
import sys
import tempfile
import time
import warnings
from pathlib import Path

import cv2
import joined
import numpy as np
import tifffile
import truth
from bad_pictures import Case, cases
from small_jobs import DPI, JOBS, READERS, SmallJob, invoke, page
from test_bad_pictures import state

from stitchbed.core.errors import StitchbedError
from stitchbed.reading.base.faults import shown


def odd_pictures() -> list[Case]:
    """Sound files that no reader minds, but whose content a command may not expect."""
    return [
        Case("all-black", lambda folder: _filled(folder / "black.tif", 0), None),
        Case("all-white", lambda folder: _filled(folder / "white.tif", 255), None),
        Case("two-by-two", lambda folder: _filled(folder / "tiny.tif", 128, (2, 2, 3)), None),
        Case("long-and-thin", lambda folder: _filled(folder / "thin.tif", 200, (3, 4000, 3)), None),
        Case("noise", _noise, None),
        Case("all-transparent", lambda folder: _filled(folder / "nothing.tif", 0, (80, 90, 4)), None),
        Case("one-bit", _one_bit, None),
        Case("gray-16", lambda folder: _deep(folder / "deep.tif", 1), None),
        Case("rgb-16-as-png", _png16, None),
        Case("dpi-1", lambda folder: _of_dpi(folder / "one.tif", 1.0), None),
        Case("dpi-100000", lambda folder: _of_dpi(folder / "many.tif", 1e5), None),
        Case("dpi-differs-by-axis", _two_dpi, None),
        Case("markup-name", lambda folder: page(folder / "<img src=x onerror=alert(1)>.tif"), None),
        Case("shell-name", lambda folder: page(folder / "a;rm -rf ~ $(id) `id` && b.tif"), None),
        *(Case(f"exif-turn-{turn}", lambda folder, turn=turn: _turned(folder, turn), None) for turn in range(1, 9)),
        Case("suffix-lies", lambda folder: Path(shutil.copy(page(folder / "p.tif"), folder / "p.png")), None),
        Case("same-as-another", lambda folder: page(folder / "page.tif"), None),
    ]


def everything() -> list[Case]:
    """Every bad and odd input there is."""
    said = [case for case in cases() if case.name != "name-with-zero"]  # no shell can say it
    return [*said, *odd_pictures()]


def _filled(path: Path, value: int, shape: tuple[int, ...] = (90, 120, 3)) -> Path:
    extra = {"extrasamples": ["unassalpha"]} if shape[2] == 4 else {}
    tifffile.imwrite(path, np.full(shape, value, np.uint8), photometric="rgb", metadata=None, resolution=(DPI, DPI),
                     resolutionunit=2, **extra)  # fmt: skip
    return path


def _noise(folder: Path) -> Path:
    pixels = np.random.default_rng(1).integers(0, 256, (90, 120, 3), dtype=np.uint8)
    return joined.write_piece(folder / "noise.tif", pixels, DPI)


def _one_bit(folder: Path) -> Path:
    tifffile.imwrite(folder / "bits.tif", np.eye(64, dtype=bool), photometric="minisblack", metadata=None)
    return folder / "bits.tif"


def _deep(path: Path, channels: int) -> Path:
    pixels = (np.full((90, 120), 60000, np.uint16) - np.eye(90, 120, dtype=np.uint16) * 50000).astype(np.uint16)
    return joined.write_piece(path, pixels if channels == 1 else np.dstack([pixels] * 3), DPI)


def _png16(folder: Path) -> Path:
    pixels = np.dstack([np.eye(90, dtype=np.uint16) * 60000] * 3)
    cv2.imwrite(str(folder / "deep.png"), pixels)
    return folder / "deep.png"


def _of_dpi(path: Path, dpi: float) -> Path:
    return joined.write_piece(path, tifffile.imread(page(path.with_name("page.tif"))), dpi, truth.SRGB)


def _two_dpi(folder: Path) -> Path:
    pixels = tifffile.imread(page(folder / "page.tif"))
    tifffile.imwrite(
        folder / "two.tif", pixels, photometric="rgb", resolution=(100, 150), resolutionunit=2, metadata=None
    )
    return folder / "two.tif"


def _turned(folder: Path, turn: int) -> Path:
    pixels = tifffile.imread(page(folder / "page.tif"))
    tifffile.imwrite(
        folder / f"turn{turn}.tif", pixels, photometric="rgb", metadata=None, resolution=(DPI, DPI), resolutionunit=2,
        extratags=[(274, 3, 1, turn, True)],
    )  # fmt: skip
    return folder / f"turn{turn}.tif"


def give(job: SmallJob, case: Case, bad: Path, out: Path) -> str:
    """Run the job with `bad` in the place of its subject; "refused" or "done".

    Raises
    ------
    AssertionError : another error than ours, a file left behind or touched, an unreadable file that was not refused.
    """
    before = state(bad.parent) if os.access(bad.parent, os.R_OK | os.X_OK) else {}
    reads = joined.hashes_of(list(job.reads))
    result = invoke(job.swap(bad), out)
    error = result.exception
    assert error is None or isinstance(error, StitchbedError), f"{case.name}: {error!r}"
    assert "Traceback" not in result.output
    if case.fault is not None and error is None:  # `check` says of each file what it is, and goes on with the others
        assert job.words[0] == "check" and shown(Path(bad.name)) in result.output, f"{case.name} was taken"
    assert not before or state(bad.parent) == before, f"{case.name}: the inputs' folder was touched"
    assert joined.hashes_of(list(job.reads)) == reads
    if error is None:
        return "done"
    assert all(part.strip() for part in (error.found, error.expected, error.attempt))
    assert all(line.isprintable() for line in str(error).split("\n")), f"{case.name}: {str(error)!r}"
    left = [str(path.relative_to(out)) for path in out.rglob("*")]
    assert left == [], f"{case.name}: left behind {left}"
    return "refused"


def kind_of(case: Case) -> str:
    """The kind a case is counted under."""
    name = case.name
    for words, kind in KINDS:
        if any(word in name for word in words):
            return kind
    return "other damage"


KINDS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("name-", "emoji", "markup", "shell", "suffix"), "names"),
    (("link", "pipe", "device", "folder", "missing.", "missing-folder", "below", "not-allowed"), "places and rights"),
    (("cut-", "cut.", "row-missing", "rows-missing", "stream-cut"), "cut off"),
    (("gigapixel", "sides-", "width-", "height-", "tiles-", "strip", "-of-100-mb", "jpeg-tile", "samples-",
      "megabyte", "one-side", "million"), "absurd sizes and bombs"),
    (("circle", "directory", "offsets", "counts", "magic", "next-page", "planes", "unsorted", "field", "only-",
      "views"), "tables and circles"),
    (("photometric", "cmyk", "float", "bits", "depth-", "kind", "palette", "compression", "predictor", "signed",
      "complex", "method", "two-channels", "arithmetic", "lossless", "gray-", "planar", "alpha", "transparent",
      "channels", "rgb-16", "key-"), "kinds of pixels"),
    (("dpi",), "dpi"),
    (("profile", "srgb"), "profiles"),
    (("turn", "exif"), "turns and EXIF"),
    (("one-pixel", "one-row", "one-column", "two-by-two", "long-and-thin", "all-black", "all-white", "noise",
      "same-as"), "odd content"),
)  # fmt: skip


def main() -> None:
    """Every case through every command that reads pictures (or those named), and a table of kinds."""
    warnings.simplefilter("error")
    names = sys.argv[1:] or READERS
    counted: dict[str, collections.Counter[str]] = collections.defaultdict(collections.Counter)
    wrong = []
    for name in names:
        begun = time.process_time()
        with tempfile.TemporaryDirectory() as kept:
            job = JOBS[name](Path(kept))
            for case in everything():
                with tempfile.TemporaryDirectory() as folder:
                    inputs, out = Path(folder) / "in", Path(folder) / "out"
                    inputs.mkdir(), out.mkdir()
                    with contextlib.suppress(BaseException):
                        bad = case.place(inputs)
                        try:
                            counted[kind_of(case)][give(job, case, bad, out)] += 1
                        except BaseException as fault:
                            wrong.append(f"{name}: {case.name}: {type(fault).__name__} {str(fault)[:300]}")
                            counted[kind_of(case)]["WRONG"] += 1
        print(f"{name}: {time.process_time() - begun:.0f} s of CPU", flush=True)
    print("\n".join(wrong))
    for kind, counts in sorted(counted.items()):
        print(f"{kind:34} {dict(counts)}")
    print(len(everything()), "cases,", sum(sum(c.values()) for c in counted.values()), "runs,", len(wrong), "wrong")


if __name__ == "__main__":
    main()
