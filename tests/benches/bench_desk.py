"""I measure the desk by hand: how soon one sees pieces, places and a huge canvas, how soon a stop acts, what it weighs.

    python tests/benches/bench_desk.py [folder [nine] [huge]]

Out: seconds and bytes on standard output, each of several rounds, with the load of the machine. Nine A4 pieces at
300 dpi; a canvas of 280 megapixels, 16 bits. What is drawn for it stays in the folder.
"""

from __future__ import annotations

import search_path  # first: the search path

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from bench_proof import HEIGHT, WIDTH, blocks
from bench_scale import cut, sheet

from stitchbed.output.tiff_master import MasterSpec, write_master

SHEET = (9118, 6448)  # px of a sheet that three by three A4 pieces at 300 dpi cover, a fifth shared
STEPS = 60
ROUNDS = 3


def along(number: int) -> str:
    """A step of half a screen over a part never seen before, in rows to and fro."""
    down = number % 16 == 15
    return f"desk.viewer.moveBy({0 if down else (-1) ** (number // 16) * -700}, {-800 if down else 0})"


def in_and_out(number: int) -> str:
    """A step of zoom: four out, four in again somewhere else."""
    at = f"[{40 + 97 * number % 800}, {40 + 61 * number % 600}]"
    return f"desk.viewer.zoomBy({'1 / 1.6' if number % 8 < 4 else '1.6'}, {at})"


MOVES: dict[str, Callable[[int], str]] = {"pan": along, "zoom": in_and_out}


@contextmanager
def desk(folder: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The command, and the address it says."""
    command = [sys.executable, "-m", "stitchbed", "desk", str(folder), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as one:
        assert one.stdout is not None
        found = re.search(r"http\S+", one.stdout.readline())
        assert found
        yield found[0], one
        one.send_signal(signal.SIGTERM)


def browser() -> Any:
    """Headless Chromium, 1440 x 900."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for word in (
        "headless",
        "no-sandbox",
        "disable-gpu",
        "force-prefers-reduced-motion",  # the way of a step by keys, which glides, is not what is measured
        "window-size=1440,900",
        f"user-data-dir={tempfile.mkdtemp()}",
    ):
        options.add_argument(f"--{word}")
    return webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))


def until(page: Any, script: str, seconds: float = 180) -> float:
    """Seconds until the script is true."""
    begun = time.perf_counter()
    while not page.execute_script(script):
        if time.perf_counter() - begun > seconds:
            raise TimeoutError(script)
        time.sleep(0.005)
    return time.perf_counter() - begun


def resident(process: subprocess.Popen[str]) -> float:
    """MiB of the server alone."""
    status = Path(f"/proc/{process.pid}/status").read_text()
    return int(re.findall(r"VmRSS:\s+(\d+)", status)[0]) / 1024


def told(what: str, spent: list[float], unit: str = "s") -> None:
    """One line: the best, all, the load."""
    every = ", ".join(f"{one:.2f}" for one in spent)
    print(f"{what}: {min(spent):.2f} {unit} at best of {every}; load {os.getloadavg()[0]:.1f}", flush=True)


def drawn(folder: Path) -> None:
    """Nine pieces, where they are not there from before."""
    if not (folder / "pieces").exists():
        making = folder / "making"
        shutil.rmtree(making, ignore_errors=True)
        making.mkdir(parents=True)
        whole = sheet(folder / "sheet.raw", *SHEET)
        cut(whole, making, (3, 3), overlap=0.2, bits=8, codec="deflate", dpi=300)
        (folder / "sheet.raw").unlink()
        making.rename(folder / "pieces")


def pieces(page: Any, folder: Path) -> None:
    """Nine pieces: first small picture, all verdicts, places, a stop."""
    drawn(folder)
    spent: dict[str, list[float]] = {}
    for _ in range(ROUNDS):
        for name in (".desk", "out"):
            shutil.rmtree(folder / name, ignore_errors=True)
        (folder / "job.toml").unlink(missing_ok=True)
        for what, seconds in one_round(page, folder):
            spent.setdefault(what, []).append(seconds)
    for what, every in spent.items():
        told(what, every)


def one_round(page: Any, folder: Path) -> Iterator[tuple[str, float]]:
    """What was waited for, and how long."""
    with desk(folder) as (address, _):
        time.sleep(3)  # as long as a person takes to look for the window
        begun = time.perf_counter()
        page.get(address)
        until(page, "return [...document.images].some((one) => one.complete && one.naturalWidth)")
        yield "first small picture", time.perf_counter() - begun
        until(page, "return [...document.images].filter((one) => one.complete && one.naturalWidth).length >= 9")
        yield "all small pictures", time.perf_counter() - begun
        page.find_element("css selector", '.line a[href$="placing"]').click()
        until(page, "return document.getElementById('view')?.dataset.drawn === 'yes'")
        yield "placed pieces drawn", time.perf_counter() - begun
        page.find_element("css selector", '.line a[href$="canvas"]').click()
        until(page, "return document.body.dataset.stop === 'canvas'")
        page.find_element("css selector", "[data-start]").click()
        until(page, "return document.getElementById('share') !== null")
        time.sleep(4)
        begun = time.perf_counter()
        page.find_element("css selector", '[data-post="/stop"]').click()
        until(page, "return document.getElementById('share') === null")
        yield "stopped, and said so", time.perf_counter() - begun


def canvas(page: Any, folder: Path) -> None:
    """A huge picture: first sight, steps of pan and zoom, memory of the server while it is open."""
    path = folder / "pieces" / "canvas.tif"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        spec = MasterSpec(HEIGHT, WIDTH, 3, "uint16", False, 600, None)
        write_master(path, spec, blocks(spec))
    # left out, so that nothing is worked on while it is looked at
    (folder / "job.toml").write_text('pieces = ["pieces"]\nleave_out = ["pieces/canvas.tif"]\n[join]\n')
    with desk(folder) as (address, process):
        page.get(address)
        until(page, "return document.querySelector('[data-closer]') !== null")
        time.sleep(3)
        firsts = []
        for _ in range(ROUNDS):
            page.execute_cdp_cmd("Network.clearBrowserCache", {})
            page.execute_script("document.querySelector('[data-closer]').click()")
            firsts.append(until(page, "return document.getElementById('view').dataset.drawn === 'yes'"))
        told(f"first sight of {HEIGHT * WIDTH / 1e6:.0f} MP", firsts)
        page.execute_script("desk.viewer.on('settled', () => { window.shown = performance.now(); })")
        for name, move in MOVES.items():
            steps = [stepped(page, move) for _ in range(ROUNDS)]
            told(f"{name} at the median", [float(np.median(one)) for one in steps], "ms")
            told(f"{name} at 95 %", [float(np.quantile(one, 0.95)) for one in steps], "ms")
        time.sleep(2)
        print(f"memory of the server with it open: {resident(process):.0f} MiB", flush=True)


def stepped(page: Any, move: Callable[[int], str]) -> list[float]:
    """ms of each step, from the wish until all of it is drawn; nothing of it was looked at before."""
    page.execute_cdp_cmd("Network.clearBrowserCache", {})
    corner = "desk.viewer.goTo({ scale: 1 / devicePixelRatio, left: 0, top: 0 })"
    page.execute_script(f"desk.viewer.open(desk.viewer.source); {corner}")
    time.sleep(2)
    spent = []
    for number in range(STEPS):
        page.execute_script(f"window.begun = performance.now(); window.shown = 0; {move(number)}")
        until(page, "return window.shown > 0")
        spent.append(page.execute_script("return window.shown - window.begun"))
    return spent


def main(folder: Path, only: list[str]) -> None:
    """Run and print. only : "nine", "huge", or none for both."""
    os.environ["PYTHONPATH"] = os.pathsep.join(search_path.PLACES)
    page = browser()
    parts = {"nine": pieces, "huge": canvas}
    try:
        for name in only or parts:
            parts[name](page, folder / name)
    finally:
        page.quit()


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp()), sys.argv[2:])
