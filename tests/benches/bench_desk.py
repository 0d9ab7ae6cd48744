"""I measure the desk by hand: how soon one sees pieces, places and a huge canvas, how soon a stop acts, what it weighs.

    python tests/benches/bench_desk.py [folder]

Out: seconds and bytes on standard output. Nine A4 pieces at 300 dpi; a canvas of 280 megapixels, 16 bits.
"""

from __future__ import annotations

import search_path  # first: the search path

import os
import re
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
    import shutil

    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for word in (
        "headless",
        "no-sandbox",
        "disable-gpu",
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


def pieces(page: Any, folder: Path) -> None:
    """Nine pieces: first small picture, all verdicts, places, a stop."""
    if not (folder / "pieces").exists():
        (folder / "pieces").mkdir(parents=True)
        whole = sheet(folder / "sheet.raw", *SHEET)
        cut(whole, folder / "pieces", (3, 3), overlap=0.2, bits=8, codec="deflate", dpi=300)
        (folder / "sheet.raw").unlink()
    with desk(folder) as (address, _):
        time.sleep(3)  # as long as a person takes to look for the window
        begun = time.perf_counter()
        page.get(address)
        until(page, "return [...document.images].some((one) => one.complete && one.naturalWidth)")
        print(f"first small picture after {time.perf_counter() - begun:.2f} s")
        until(page, "return document.querySelectorAll('.verdict:not(.none)').length >= 9")
        print(f"all verdicts after {time.perf_counter() - begun:.2f} s")
        page.find_element("css selector", '.line a[href$="placing"]').click()
        until(page, "return document.getElementById('view')?.dataset.drawn === 'yes'")
        print(f"placed pieces drawn after {time.perf_counter() - begun:.2f} s")
        page.find_element("css selector", '.line a[href$="canvas"]').click()
        until(page, "return document.body.dataset.stop === 'canvas'")
        page.find_element("css selector", "[data-start]").click()
        until(page, "return document.getElementById('share') !== null")
        time.sleep(4)
        begun = time.perf_counter()
        page.find_element("css selector", '[data-post="/stop"]').click()
        until(page, "return document.getElementById('share') === null")
        print(f"stopped, and said so, after {time.perf_counter() - begun:.2f} s")


def canvas(page: Any, folder: Path) -> None:
    """A huge picture: first sight, steps of pan and zoom, memory of the server while it is open."""
    path = folder / "pieces" / "canvas.tif"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        spec = MasterSpec(HEIGHT, WIDTH, 3, "uint16", False, 600, None)
        write_master(path, spec, blocks(spec))
    with desk(folder) as (address, process):
        page.get(address)
        until(page, "return document.querySelector('[data-closer]') !== null")
        page.execute_script("window.shown = 0; document.querySelector('[data-closer]').click()")
        first = until(page, "return document.getElementById('view').dataset.drawn === 'yes'")
        print(f"first sight of {HEIGHT * WIDTH / 1e6:.0f} MP after {first:.2f} s")
        page.execute_script("desk.viewer.zoomTo(1)")
        page.execute_script("desk.viewer.on('settled', () => { window.shown = performance.now(); })")
        time.sleep(2)
        moves: dict[str, Callable[[int], str]] = {
            "pan": lambda n: f"desk.viewer.moveBy({(-1) ** (n // 7) * 700}, {-260 if n % 3 else 500})",
            "zoom": lambda n: f"desk.viewer.zoomBy({1 / 1.6 if n % 8 < 4 else 1.6})",
        }
        for name, move in moves.items():
            spent = []
            for number in range(STEPS):
                page.execute_script(f"window.begun = performance.now(); window.shown = 0; {move(number)}")
                until(page, "return window.shown > 0")
                spent.append(page.execute_script("return window.shown - window.begun"))
            print(f"{name}: {np.median(spent):.0f} ms at the median, {np.quantile(spent, 0.95):.0f} ms at 95 %")
        time.sleep(2)
        print(f"memory of the server with it open: {resident(process):.0f} MiB")


def main(folder: Path) -> None:
    """Run and print."""
    os.environ["PYTHONPATH"] = os.pathsep.join(search_path.PLACES)
    page = browser()
    try:
        pieces(page, folder / "nine")
        canvas(page, folder / "huge")
    finally:
        page.quit()


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else tempfile.mkdtemp()))
