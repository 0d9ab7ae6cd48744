"""I throw damaged files at the readers: anything but pixels or a `StitchbedError` is a fault of theirs.

In: sound files of every kind, and random numbers. Out: what each damaged file led to.

By hand: `python tests/fuzz_readers.py 60` damages files for a minute, `python tests/fuzz_readers.py guided` lets
atheris look for new paths (pip install atheris). A file that breaks something is kept in the current folder.
"""

from __future__ import annotations

import collections
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from picture_files import Made, made_files

from stitchbed.core.errors import StitchbedError
from stitchbed.imaging.box import Box, clipped
from stitchbed.reading.formats import open_windows

MOST_PIXELS = 1_000_000
WORTH_TRYING = (0, 1, 2, 3, 4, 5, 6, 7, 8, 16, 32, 127, 128, 254, 255)


def probe(data: bytes, path: Path) -> str:
    """Write the file and read all of it; "pixels", or the name of the `StitchbedError` raised.

    Raises
    ------
    AssertionError : the pixels have another shape than announced. Any other error is a fault of the readers.
    """
    path.write_bytes(data)
    try:
        with open_windows(path, max_pixels=MOST_PIXELS) as windows:
            raster = windows.raster
            rows, cols, channels = raster.shape
            assert rows * cols <= MOST_PIXELS
            assert windows.view(3).shape == (-(-rows // 3), -(-cols // 3), channels)
            part = clipped(Box(rows - 9, cols // 2, 9, 9), Box(0, 0, rows, cols))
            pixels, alpha = windows.window(part), windows.alpha(part)
            assert (pixels.shape, str(pixels.dtype)) == ((part.height, part.width, channels), raster.dtype)
            assert (alpha is None) != raster.alpha
            assert alpha is None or alpha.shape == (part.height, part.width)
    except StitchbedError as error:
        assert path.name in error.found
        assert error.expected
        assert error.attempt
        return type(error).__name__
    return "pixels"


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """The file with a few bytes changed, now and then cut, lengthened or with a stretch moved.

    Half of the changes hit the first or last 400 bytes, where most tables are.
    """
    changed = bytearray(data)
    for _ in range(int(rng.integers(1, 6))):
        place = int(rng.integers(0, len(changed)))
        if rng.random() < 0.5:
            near = int(rng.integers(0, min(400, len(changed))))
            place = near if rng.random() < 0.4 else len(changed) - 1 - near
        changed[place] = int(rng.choice(WORTH_TRYING)) if rng.random() < 0.7 else int(rng.integers(0, 256))
    if rng.random() < 0.1:
        del changed[int(rng.integers(1, len(changed))) :]
    if rng.random() < 0.1:
        start, size = int(rng.integers(0, len(changed))), int(rng.integers(1, 64))
        changed[start:start] = changed[int(rng.integers(0, len(changed))) :][:size]
    return bytes(changed)


def damage(made: tuple[Made, ...], count: int, seed: int, folder: Path) -> collections.Counter[str]:
    """Probe `count` damaged files; how often each outcome came."""
    rng = np.random.default_rng(seed)
    outcomes: collections.Counter[str] = collections.Counter()
    for _ in range(count):
        source = made[int(rng.integers(0, len(made)))]
        data = damaged(source.data, rng)
        try:
            outcomes[probe(data, folder / source.name)] += 1
        except Exception:
            Path(f"breaks-{seed}-{source.name}").write_bytes(data)
            raise
    return outcomes


def by_time(seconds: float) -> None:
    """Damage files for a while, each round from another seed."""
    begun, seed = time.monotonic(), int(time.time())
    total: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as folder:
        while time.monotonic() - begun < seconds:
            seed += 1
            total += damage(made_files(), 200, seed, Path(folder))
    print(f"last seed {seed}: {dict(total)}")


def guided() -> None:
    """Coverage-guided fuzzing; never returns. The readers are imported once more, so that they can be watched."""
    import atheris

    for name in [name for name in sys.modules if name.startswith("stitchbed")]:
        del sys.modules[name]
    with atheris.instrument_imports(include=["stitchbed.scans"]):
        import fuzz_readers as watched
    folder = Path(tempfile.mkdtemp())
    corpus = folder / "corpus"
    corpus.mkdir()
    for made in made_files():
        made.write(corpus)
    atheris.Setup([sys.argv[0], str(corpus)], lambda data: watched.probe(data, folder / "fuzzed"))
    atheris.Fuzz()


if __name__ == "__main__":
    guided() if sys.argv[1:] == ["guided"] else by_time(float(sys.argv[1]) if sys.argv[1:] else 60)
