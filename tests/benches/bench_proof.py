"""I write the proof of a 280 megapixel canvas by hand, weigh it, and open it in headless Chromium.

    python tests/benches/bench_proof.py [folder]

Out: seconds, bytes, and the time until the picture is drawn, on standard output.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import numpy as np
import synthetic_captures as captures
from report.test_page import _record

from stitchbed.output.tiff_master import BLOCK, EncodedBlock, MasterSpec, encode_block, write_master
from stitchbed.pipelines.proof import write_proof

HEIGHT, WIDTH = 20000, 14000  # 280 MP: an A1 sheet at 600 dpi
OPENINGS = 5


def blocks(spec: MasterSpec) -> Iterator[EncodedBlock]:
    """A drawing repeated with fresh noise, so that nothing compresses better than a scan does."""
    rng = np.random.default_rng(1)
    motif = captures.scan(
        captures.map_sheet(1100, 1100, 1), captures.Pose(550, 550, 0), captures.Scanner(), rng, (1100, 1100)
    )
    for row in range(0, spec.height, BLOCK):
        for col in range(0, spec.width, BLOCK):
            part = motif[: min(BLOCK, spec.height - row), : min(BLOCK, spec.width - col)].astype(np.uint16) * 257
            yield encode_block(part + rng.integers(0, 200, part.shape, dtype=np.uint16) * (part < 65000), spec)


def opening_seconds(page: Path) -> list[float]:
    """Seconds from asking for the page until its picture is drawn, for several openings."""
    import shutil

    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    quiet = ["headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-background-networking"]
    for word in [
        *quiet,
        "disable-component-update",
        "disable-sync",
        "window-size=1440,900",
        f"user-data-dir={tempfile.mkdtemp()}",
    ]:
        options.add_argument(f"--{word}")
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    spent = []
    for _ in range(OPENINGS):
        browser.get("about:blank")
        begun = time.perf_counter()
        browser.get("file://" + quote(str(page.resolve())))
        while browser.execute_script("return document.getElementById('stage').dataset.drawn") != "yes":
            time.sleep(0.01)
        spent.append(time.perf_counter() - begun)
    browser.save_screenshot(str(page.with_suffix(".png")))
    browser.quit()
    return spent


def main(folder: Path) -> None:
    """Run and print."""
    canvas = folder / "canvas.tif"
    spec = MasterSpec(HEIGHT, WIDTH, 3, "uint16", False, 600, None)
    if not canvas.exists():
        write_master(canvas, spec, blocks(spec))
    record = _record("canvas.tif", (HEIGHT, WIDTH))
    rng = np.random.default_rng(2)
    count = 20000
    table = zip(
        rng.uniform(0, WIDTH, count), rng.uniform(0, HEIGHT, count), rng.normal(0, 0.3, (count, 2)), strict=True
    )
    ends = [(link["a"], link["b"]) for link in record["links"]]
    record["residuals"] = [
        {"x": x, "y": y, "dx": d[0], "dy": d[1], "a": ends[i % len(ends)][0], "b": ends[i % len(ends)][1]}
        for i, (x, y, d) in enumerate(table)
    ]
    written = write_proof(folder / "proof.html", record, canvas)
    print({key: value for key, value in written.items() if key != "page"})
    print("seconds until the picture is drawn:", [round(value, 2) for value in opening_seconds(folder / "proof.html")])


if __name__ == "__main__":
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp())
    where.mkdir(exist_ok=True)
    main(where)
