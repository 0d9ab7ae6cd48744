"""I do a whole job in a real browser: pieces in, verdicts, places, canvas, undo, end, start again; once by keys alone.

Each page is also looked at by a checker of WCAG 2.2 A and AA (axe-core, from the package axe-core-python).
"""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from browser import chromium, complaints, wait  # noqa: F401 (a fixture)
from desks import DEMO, PIECES

from stitchbed.core.files import sha256_of
from stitchbed.core.progress import silent
from stitchbed.jobs.job_file import job_of
from stitchbed.jobs.run import RunSettings, run
from stitchbed.jobs.steps import STEPS

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
TAB, ENTER, SPACE, ESCAPE, CONTROL = "\ue004", "\ue007", " ", "\ue00c", "\ue009"


@contextmanager
def desk(folder: Path) -> Iterator[str]:
    """A desk of the command itself, and the address to open it by."""
    command = [sys.executable, "-m", "stitchbed", "desk", str(folder), "--no-browser", "--workers", "2"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=dict(os.environ)
    ) as one:
        assert one.stdout is not None
        found = re.search(r"http\S+", one.stdout.readline())
        assert found
        try:
            yield found[0]
        finally:
            one.send_signal(signal.SIGTERM)
            one.wait(20)


def text_of(page: Any, selector: str) -> str:
    """What a person reads there."""
    return str(page.execute_script("return document.querySelector(arguments[0])?.innerText ?? ''", selector))


def until_said(page: Any, selector: str, words: str, seconds: float = 60) -> None:
    """Until the words stand there."""
    until = time.monotonic() + seconds
    while words not in text_of(page, selector):
        assert time.monotonic() < until, f"never said: {words}; but: {text_of(page, 'body')[:2000]}"
        time.sleep(0.1)


def to_stop(page: Any, name: str) -> None:
    """To a stop of the line, by its link."""
    click(page, f'.line a[href$="{name}"]')
    wait(page, f"return document.body.dataset.stop === '{name}'")


def click(page: Any, selector: str) -> None:
    """Click what the selector finds, once more where the page was drawn anew between finding and clicking."""
    from selenium.common.exceptions import StaleElementReferenceException

    for last in (False, False, True):
        try:
            page.find_element("css selector", selector).click()
            return
        except StaleElementReferenceException:
            if last:
                raise


def axe(page: Any) -> None:
    """No violation of levels A and AA, in light and dark."""
    found = importlib.util.find_spec("axe_core_python")
    if found is None or not found.submodule_search_locations:
        pytest.skip("axe-core is not installed (extra: test)")
    source = (Path(found.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8")
    script = """const done = arguments[arguments.length - 1];
      axe.run(document, { runOnly: arguments[0] }).then((told) => done(told.violations.map((one) =>
        `${one.id}: ${one.nodes.map((node) => node.html + " " + node.failureSummary).join(" | ")}`)))"""
    for scheme in ("light", "dark"):
        wanted = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", wanted)
        page.execute_script(source)
        assert page.execute_async_script(script, RULES) == [], f"{scheme}, {page.current_url}"
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_from_pieces_to_canvas(browser: Any, tmp_path: Path) -> None:
    job = tmp_path / "harbor"
    job.mkdir()
    page = browser
    with desk(job) as address:
        page.get(address)
        assert "token" not in page.current_url and "Drop your scans here" in text_of(page, "#mat")
        axe(page)
        page.find_element("id", "files").send_keys("\n".join(str(DEMO / name) for name in PIECES))
        until_said(page, "#mat", "can be used")
        until_said(page, "footer", "Nothing is being worked on")
        for name in PIECES:
            assert sha256_of(job / "pieces" / name) == sha256_of(DEMO / name)
        wait(page, "return [...document.images].every((one) => one.complete && one.naturalWidth > 100)")
        axe(page)
        click(page, "[data-closer]")  # a close look, and back
        wait(page, "return document.getElementById('view').dataset.drawn === 'yes'")
        click(page, '[data-look="back"]')

        to_stop(page, "placing")
        wait(page, "return document.getElementById('view').dataset.drawn === 'yes'")
        _compare(page)
        _mark(page, job)
        axe(page)

        to_stop(page, "canvas")
        page.find_element("css selector", "[data-set='[\"outside\"]']").send_keys("paper")
        wait(page, "return document.querySelector('[data-post=\"/history/undo\"]').disabled === false")
        click(page, "[data-start]")
        until_said(page, ".line", "being worked on")
        until_said(page, "footer", "Nothing is being worked on")
        wait(page, "return document.getElementById('view').dataset.drawn === 'yes'")
        click(page, '[data-look="one"]')
        wait(page, "return document.getElementById('where').textContent === '100 %'")
        click(page, '[data-overlay="pieces"]')
        wait(page, "return document.getElementById('over-pieces').style.display === ''")
        axe(page)
        made = next((job / "out").glob("*.tif"))
        first = sha256_of(made)
        assert '\noutside = "paper"' in (job / "job.toml").read_text()

        click(page, '[data-post="/history/undo"]')
        until_said(page, "#side", "Something changed since it was made")
        assert "\noutside" not in (job / "job.toml").read_text()
        click(page, '[data-post="/history/redo"]')
        wait(page, "return !document.getElementById('side').innerText.includes('Something changed')")
        assert complaints(page) == []

    # the same job file, in the shell: the same bytes
    other = tmp_path / "shell" / "harbor"
    shutil.copytree(job, other, ignore=shutil.ignore_patterns("out", ".desk", ".stitchbed*"))
    run(job_of(other, list(STEPS)), RunSettings(workers=2), progress=silent)
    assert sha256_of(other / made.relative_to(job)) == first

    with desk(job) as address:  # ended and started again: it is where it was
        page.get(address)
        until_said(page, "#mat", "can be used", 10)
        assert text_of(page, ".line").count("not begun") == 5
        to_stop(page, "clean")
        click(page, '[data-act="do_step"]')
        until_said(page, "#side", "Leave this step out")
        axe(page)
        complaints(page)


def _compare(page: Any) -> None:
    """Two pieces over each other: their difference, and back and forth while a key is held."""
    for number, which in enumerate(("one", "other")):
        page.find_element("css selector", f"#pair-{which}").send_keys(PIECES[number])
    wait(page, "return !document.getElementById('blink').disabled")
    click(page, "#difference")
    wait(page, "return desk.viewer.source.layers[1].mix === 'difference'")
    click(page, "#difference")
    hold = "document.querySelector('#picture').focus(); document.querySelector('#picture').dispatchEvent("
    page.execute_script(hold + "new KeyboardEvent('keydown', { key: ' ', bubbles: true }))")
    assert page.execute_script("return desk.viewer.source.layers.map((one) => !!one.hidden)") == [False, True]
    page.execute_script(hold + "new KeyboardEvent('keyup', { key: ' ', bubbles: true }))")
    assert page.execute_script("return desk.viewer.source.layers.map((one) => !!one.hidden)") == [False, False]


def _mark(page: Any, job: Path) -> None:
    """The same spot marked in both pieces under two crosses, and the pieces placed again by it."""
    click(page, '[data-say="side by side"]')
    wait(page, "return document.querySelectorAll('.spot canvas').length === 2")
    axe(page)
    click(page, ".spot-bar button.main")
    wait(page, "return document.querySelector('.said-list') !== null && !document.querySelector('.spots')")
    assert "hints.same_point" in (job / "job.toml").read_text()
    click(page, '[data-start="placing"]')
    until_said(page, "#side", "What it changed")
    until_said(page, "footer", "Nothing is being worked on")
    assert "followed" in text_of(page, "#side")


def test_by_keys_alone(browser: Any, tmp_path: Path) -> None:
    """Tab, Enter, Space: a folder is chosen, a piece left out and taken in again, the canvas begun and stopped."""
    from selenium.webdriver.common.action_chains import ActionChains

    job = tmp_path / "keys"
    (job / "pieces").mkdir(parents=True)
    for name in PIECES:
        shutil.copy(DEMO / name, job / "pieces" / name)
    page = browser

    def press(*keys: str) -> None:
        ActionChains(page).send_keys(*keys).perform()

    def walk(script: str) -> None:
        """Tab until what has the focus is what the script asks for."""
        for _ in range(90):
            if page.execute_script(f"const one = document.activeElement; return {script}"):
                return
            press(TAB)
        raise AssertionError(f"not reached by Tab: {script}")

    with desk(job) as address:
        page.get(address)
        until_said(page, "#mat", "can be used")
        until_said(page, "footer", "Nothing is being worked on")
        walk("one.textContent === 'Leave out'")
        press(ENTER)
        until_said(page, "#mat", "left out")
        until_said(page, "footer", "Nothing is being worked on")
        assert "leave_out" in (job / "job.toml").read_text()
        page.find_element("css selector", "body").send_keys(CONTROL + "z")
        until_said(page, "#mat", "can be used")
        walk("one.href?.endsWith('/at/canvas')")
        press(ENTER)
        wait(page, "return document.body.dataset.stop === 'canvas'")
        walk("one.dataset.start === 'canvas'")
        press(SPACE)
        until_said(page, ".line", "being worked on")
        walk("one.dataset.post === '/stop'")
        begun = time.monotonic()
        press(ENTER)
        until_said(page, "footer", "Nothing is being worked on", 5)
        assert time.monotonic() - begun < 2  # a second, and the time the page takes to say so
        complaints(page)


def test_a_phone_is_wide_enough_for_looking(browser: Any, tmp_path: Path) -> None:
    size = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
    page = browser
    with desk(tmp_path) as address:
        page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        try:
            page.get(address)
            for path in ("/", "/at/canvas", "/guide"):
                page.get(address.split("/?")[0] + path)
                assert page.execute_script("return document.documentElement.scrollWidth") <= 390
        finally:
            page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        complaints(page)
