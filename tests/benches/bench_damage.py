"""I damage what stopped joins left, by hand: python tests/benches/bench_damage.py [DAMAGES] [SEED].

A join is done with its job folder kept; then, again and again, one to three of the files in that folder are damaged
(a bit, zeros, cut off, longer, emptied, two swapped, another job's, gone) and the join is started once more. Every end
must be the same bytes, or words.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import truth

import stitchbed
from stitchbed.core.errors import StitchbedError

SETTINGS = stitchbed.JoinSettings(workers=1, keep_job=True)


def _bit(content: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(len(content))
    return content[:at] + bytes([content[at] ^ 1 << chance.randrange(8)]) + content[at + 1 :]


def _zeros(content: bytes, chance: random.Random) -> bytes:
    first, last = sorted(chance.choices(range(len(content) + 1), k=2))
    return content[:first] + bytes(last - first) + content[last:]


DAMAGES: dict[str, Callable[[bytes, random.Random], bytes]] = {
    "bit": _bit,
    "zeros": _zeros,
    "cut off": lambda content, chance: content[: chance.randrange(len(content))],
    "longer": lambda content, chance: content + chance.randbytes(chance.randrange(1, 5000)),
    "emptied": lambda content, chance: b"",
    "noise": lambda content, chance: chance.randbytes(len(content)),
    "end gone": lambda content, chance: content[:-1],
}


def damaged(files: list[Path], chance: random.Random, others: list[Path]) -> str:
    """Damage one file of the job in one way; the way in words."""
    file = chance.choice(files)
    kind = chance.choice([*DAMAGES, "swapped", "another's", "gone", "a folder"])
    if kind == "swapped":
        other = chance.choice(files)
        mine, its = file.read_bytes(), other.read_bytes()
        file.write_bytes(its)
        other.write_bytes(mine)
    elif kind == "another's":
        shutil.copy(chance.choice(others), file)
    elif kind in ("gone", "a folder"):
        file.unlink()
        if kind == "a folder":
            file.mkdir()
    else:
        file.write_bytes(DAMAGES[kind](file.read_bytes() or b"x", chance))
    return f"{kind} {file.name}"


def main() -> None:
    """One whole join, then the damages."""
    turns = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    chance = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for seed in (3, 4):
            # two rows of blocks, and little else, so that a thousand damages are cheap
            paths = truth.write_set(
                folder / f"pieces-{seed}", truth.make_set(1, 2, seed=seed, shape=(1040, 160))[1], 100.0
            )
            (folder / f"out-{seed}").mkdir()
            stitchbed.join(paths, folder / f"out-{seed}" / "c.tif", SETTINGS)
        whole = {path.name: path.read_bytes() for path in (folder / "out-3").glob("c*.*") if path.suffix != ".json"}
        others = [path for path in (folder / "out-4" / ".c.tif.job").rglob("*") if path.is_file()]
        pieces = sorted((folder / "pieces-3").iterdir())
        shutil.copytree(folder / "out-3" / ".c.tif.job", folder / "kept")
        for turn in range(turns):
            out = folder / "out"
            shutil.rmtree(out, ignore_errors=True)
            out.mkdir()
            shutil.copytree(folder / "kept", out / ".c.tif.job")
            told = []
            for _ in range(chance.randrange(1, 4)):
                files = [path for path in (out / ".c.tif.job").rglob("*") if path.is_file()]
                told += [damaged(files, chance, others)] if files else []
            try:
                stitchbed.join(pieces, out / "c.tif", replace(SETTINGS, keep_job=False))
                made = {path.name: path.read_bytes() for path in out.glob("c*.*") if path.suffix != ".json"}
                end = "same bytes" if made == whole else "BROKEN"
            except StitchbedError:
                end = "words"
            except Exception as error:
                end = f"TRACEBACK {type(error).__name__}: {error}"
            ends[end.partition(":")[0]] += 1
            if end not in ("same bytes", "words"):
                print(f"{turn}: {told}: {end}", flush=True)
    print(f"{turns} damages: {dict(ends)}")
    raise SystemExit(any(end not in ("same bytes", "words") for end in ends))


if __name__ == "__main__":
    main()
