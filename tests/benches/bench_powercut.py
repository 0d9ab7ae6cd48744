"""I cut the power at random moments and start again, by hand: python tests/benches/bench_powercut.py [CUTS] [SEED].

A file system of its own (ext4 in a file, mounted by a loop device) holds the results, and in every fourth case the
installation too, as on its very first run. The cut is the shutdown call of ext4 without a flush of its journal: what
was not synced is gone, as if the plug were pulled. Needs the right to mount (root on Linux); says so and stops without.

Prints for each cut when it fell, what was left, and whether the same command then made the same bytes as an
undisturbed one.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import fcntl
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import truth

HOUSE = Path(__file__).resolve().parents[2] / "stitchbed"
SHUTDOWN = 0x8004587D  # EXT4_IOC_SHUTDOWN of linux/fs/ext4/ext4.h: _IOR('X', 125, __u32)
NO_LOG_FLUSH = (2).to_bytes(4, "little")
KINDS = ("join", "clean", "run", "first")
JOB = '[join]\ncodec = "zstd"\n[clean]\n'


class Disk:
    """An ext4 file system in a file."""

    def __init__(self, folder: Path) -> None:
        self.image, self.at = folder / "disk.img", folder / "disk"
        self.at.mkdir()

    def fresh(self) -> None:
        """Empty, mounted."""
        with self.image.open("wb") as file:
            file.truncate(600 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(self.image)], check=True)
        self.mount()

    def mount(self) -> None:
        """Where the journal is played back after a cut."""
        subprocess.run(["mount", "-o", "loop", str(self.image), str(self.at)], check=True)

    def unmount(self) -> None:
        """Also while something still holds on to it."""
        for _ in range(50):
            if subprocess.run(["umount", str(self.at)], capture_output=True, check=False).returncode == 0:
                return
            time.sleep(0.1)
        subprocess.run(["umount", "-l", str(self.at)], check=True)

    def cut(self) -> None:
        """The power is gone."""
        handle = os.open(self.at, os.O_RDONLY)
        try:
            fcntl.ioctl(handle, SHUTDOWN, NO_LOG_FLUSH)
        finally:
            os.close(handle)


@contextmanager
def disk_in(folder: Path) -> Iterator[Disk]:
    """A disk, unmounted in the end; stops in words where nothing may be mounted."""
    disk = Disk(folder)
    try:
        disk.fresh()
    except (OSError, subprocess.CalledProcessError) as error:
        raise SystemExit(f"no power to cut: a file system cannot be made and mounted here ({error})") from error
    try:
        yield disk
    finally:
        disk.unmount()


def command_of(kind: str, disk: Path, inputs: Path) -> tuple[list[str], dict[str, str]]:
    """The command of one kind and its environment; results go to disk/out."""
    words = {
        "join": ["join", str(inputs / "pieces"), "-o", str(disk / "out" / "canvas.tif")],
        "first": ["join", str(inputs / "pieces"), "-o", str(disk / "out" / "canvas.tif")],
        "clean": ["clean", str(inputs / "page.tif"), "-o", str(disk / "out" / "clean.tif")],
        "run": ["run", str(disk / "work"), "-o", str(disk / "out")],
    }[kind]
    house = disk / "installed" if kind == "first" else HOUSE.parent
    env = {**os.environ, "PYTHONPATH": str(house), "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": ""}
    return [sys.executable, "-m", "stitchbed", *words, "--quiet", "--workers", "1"], env


def laid_out(kind: str, disk: Disk, inputs: Path) -> None:
    """What is on the disk before the command begins, synced."""
    disk.unmount()
    disk.fresh()
    (disk.at / "out").mkdir()
    if kind == "run":
        shutil.copytree(inputs / "pieces", disk.at / "work")
        (disk.at / "work" / "job.toml").write_text(JOB)
    if kind == "first":
        ignore = shutil.ignore_patterns("__pycache__")
        shutil.copytree(HOUSE, disk.at / "installed" / "stitchbed", ignore=ignore)
    os.sync()


def results(folder: Path) -> dict[str, str]:
    """Name -> hash of all pictures made."""
    found = sorted(path for path in folder.rglob("*") if path.suffix in (".tif", ".png") and path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in found}


def one_cut(kind: str, disk: Disk, inputs: Path, after: float) -> tuple[str, bool]:
    """Cut after so many seconds, start again; what was left in words, and the results."""
    laid_out(kind, disk, inputs)
    command, env = command_of(kind, disk.at, inputs)
    with subprocess.Popen(command, env=env, cwd="/", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
        time.sleep(after)
        disk.cut()
        child.send_signal(signal.SIGKILL)
    disk.unmount()
    disk.mount()
    left = sorted(path.name for path in (disk.at / "out").rglob("*") if path.is_file())
    empty = [name for name in left if any(not p.stat().st_size for p in (disk.at / "out").rglob(name))]
    again = subprocess.run(command, env=env, cwd="/", capture_output=True, text=True, check=False)
    told = again.stderr.strip().splitlines()
    words = f"{len(left)} files left, empty {empty}" + (
        f"; exit {again.returncode}: {told}" if again.returncode else ""
    )
    return words, again.returncode == 0


def main() -> None:
    """Each kind undisturbed once, then the cuts."""
    cuts = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    chance, good = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1), 0
    with tempfile.TemporaryDirectory() as name:
        inputs = Path(name)
        _, tiles = truth.make_set(2, 2, seed=3)
        truth.write_set(inputs / "pieces", tiles, 150.0)
        with disk_in(inputs) as disk:
            wholes: dict[str, tuple[float, dict[str, str]]] = {}
            for kind in ("join", "run", "clean", "first"):
                laid_out(kind, disk, inputs)
                command, env = command_of(kind, disk.at, inputs)
                begun = time.monotonic()
                subprocess.run(command, env=env, cwd="/", check=True, stdout=subprocess.DEVNULL)
                wholes[kind] = time.monotonic() - begun, results(disk.at / "out")
                if kind == "join":
                    shutil.copy(disk.at / "out" / "canvas.tif", inputs / "page.tif")
                print(f"{kind}: whole in {wholes[kind][0]:.1f} s, {len(wholes[kind][1])} pictures", flush=True)
            for number in range(cuts):
                kind = KINDS[number % len(KINDS)]
                after = chance.uniform(0.1, 1.05) * wholes[kind][0]
                words, ended = one_cut(kind, disk, inputs, after)
                same = ended and results(disk.at / "out") == wholes[kind][1]
                good += same
                print(f"{number + 1}. {kind}, cut after {after:.1f} s: {words}; same bytes {same}", flush=True)
    print(f"{good} of {cuts} restarts gave the same bytes")
    if good < cuts:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
