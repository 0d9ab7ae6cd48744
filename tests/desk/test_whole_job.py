"""I do a whole job in a real browser: pieces in, verdicts, places, canvas, undo, end, start again; once by keys alone.

Each page is also looked at by a checker of WCAG 2.2 A and AA (axe-core, from the package axe-core-python), and at the
width of a phone. The pieces are windows of the demonstration pieces: what is tried is the desk, not its work.
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
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import chromium, complaints, wait  # noqa: F401 (a fixture)
from desks import PIECES, cut_pieces

from stitchbed.core.files import sha256_of
from stitchbed.desk.stops import STOPS

# small matrices on several threads wait for each other most of the time
ALONE = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
TAB, ENTER, SPACE, CONTROL = "\ue004", "\ue007", " ", "\ue009"
LEFT, RIGHT, DOWN = "\ue012", "\ue014", "\ue015"
DRAWN = "return document.getElementById('view').dataset.drawn === 'yes'"


@contextmanager
def desk(folder: Path) -> Iterator[str]:
    """A desk of the command itself, and the address to open it by."""
    command = [sys.executable, "-m", "stitchbed", "desk", str(folder), "--no-browser", "--workers", "2"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=ALONE) as one:
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
    """No violation of levels A and AA; in dark what is drawn otherwise then, which is color alone."""
    found = importlib.util.find_spec("axe_core_python")
    if found is None or not found.submodule_search_locations:
        pytest.skip("axe-core is not installed (extra: test)")
    if not page.execute_script("return 'axe' in window"):
        page.execute_script((Path(found.submodule_search_locations[0]) / "axe.min.js").read_text(encoding="utf-8"))
    script = """const done = arguments[arguments.length - 1];
      axe.run(document, { runOnly: arguments[0], resultTypes: ["violations"] }).then((told) => done(told.violations.map(
        (one) => `${one.id}: ${one.nodes.map((node) => node.html + " " + node.failureSummary).join(" | ")}`)))"""
    for scheme, rules in (("light", RULES), ("dark", ["color-contrast"])):
        wanted = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", wanted)
        assert page.execute_async_script(script, rules) == [], f"{scheme}, {page.current_url}"
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_from_pieces_to_canvas(browser: Any, tmp_path: Path) -> None:
    job, page = tmp_path / "harbor", browser
    job.mkdir()
    scans = cut_pieces(tmp_path / "scans")
    with desk(job) as address:
        page.get(address)
        assert "token" not in page.current_url and "Drop your scans here" in text_of(page, "#mat")
        axe(page)
        page.find_element("id", "files").send_keys("\n".join(map(str, scans)))
        until_said(page, "#mat", "can be used")
        until_said(page, "footer", "Nothing is being worked on")
        for scan in scans:
            assert sha256_of(job / "pieces" / scan.name) == sha256_of(scan)
        wait(page, "return [...document.images].every((one) => one.complete && one.naturalWidth > 100)")
        axe(page)
        click(page, "[data-closer]")  # a close look, and back
        wait(page, DRAWN)
        click(page, '[data-look="back"]')

        to_stop(page, "placing")
        wait(page, DRAWN)
        _compare(page)
        _drag(page, job)
        _mark(page, job)
        click(page, '[data-start="placing"]')
        until_said(page, "#side", "What it changed")
        until_said(page, "footer", "Nothing is being worked on")
        assert "followed" in text_of(page, "#side") and "Near" in text_of(page, "#side")

        to_stop(page, "canvas")
        page.find_element("css selector", "[data-set='[\"outside\"]']").send_keys("paper")
        until_file(job, '\noutside = "paper"')
        click(page, "[data-start]")
        until_said(page, ".line", "being worked on")
        until_said(page, "footer", "Nothing is being worked on")
        wait(page, DRAWN)
        click(page, '[data-look="one"]')
        wait(page, "return document.getElementById('where').textContent === '100 %'")
        click(page, '[data-overlay="pieces"]')
        wait(page, "return document.getElementById('over-pieces').style.display === ''")
        made = next((job / "out").glob("*.tif"))
        first = sha256_of(made)

        _area(page, job)
        until_said(page, "#side", "Something changed since it was made")
        click(page, '[data-post="/history/undo"]')
        until_file(job, "hints.show", gone=True)
        wait(page, "return !document.getElementById('side').innerText.includes('Something changed')")
        click(page, '[data-post="/history/undo"]')
        until_said(page, "#side", "Something changed since it was made")
        until_file(job, "\noutside", gone=True)
        click(page, '[data-post="/history/redo"]')
        wait(page, "return !document.getElementById('side').innerText.includes('Something changed')")
        assert complaints(page) == []

    # the same job file, in the shell: the same bytes
    other = tmp_path / "shell" / "harbor"
    shutil.copytree(job, other, ignore=shutil.ignore_patterns("out", ".desk", ".stitchbed*"))
    command = [sys.executable, "-m", "stitchbed", "run", str(other / "job.toml"), "--quiet"]
    subprocess.run(command, check=True, env=ALONE, timeout=120)
    assert sha256_of(other / made.relative_to(job)) == first

    with desk(job) as address:  # ended and started again: it is where it was
        page.get(address)
        until_said(page, "#mat", "can be used", 10)
        complaints(page)  # of the page whose desk was ended
        assert text_of(page, ".line").count("not begun") == 5
        to_stop(page, "clean")
        click(page, '[data-act="do_step"]')
        until_said(page, "#side", "Leave this step out")
        _every_page(page, address.split("/?")[0])
        assert complaints(page) == []


def _every_page(page: Any, home: str) -> None:
    """No violation on any page, and none wider than a phone."""
    size = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
    for path in (*(f"/at/{stop.name}" for stop in STOPS), "/guide"):
        page.get(home + path)
        axe(page)
        page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        try:
            assert page.execute_script("return document.documentElement.scrollWidth") <= 390, path
        finally:
            page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


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


def _drag(page: Any, job: Path) -> None:
    """A piece moved by its middle and turned by a corner: what is said is where it then lies."""
    from selenium.webdriver.common.action_chains import ActionChains

    page.find_element("id", "move-piece").send_keys(PIECES[1])
    click(page, "#move")
    before = page.execute_script("return desk.viewer.source.layers[1].matrix")
    place = """const [a, b, c, d, e, f] = desk.viewer.motion(1), [x, y] = arguments;
      const box = document.getElementById('picture').getBoundingClientRect();
      return [a * x + c * y + e + box.left, b * x + d * y + f + box.top].map(Math.round)"""
    for spot, far in (((250, 250), (6, 4)), ((490, 490), (-3, 3))):
        x, y = page.execute_script(place, *spot)
        ActionChains(page).move_by_offset(x, y).click_and_hold().move_by_offset(*far).release().perform()
        ActionChains(page).move_by_offset(-x - far[0], -y - far[1]).perform()
    axe(page)
    after = page.execute_script("return desk.viewer.source.layers[1].matrix")
    scale = page.execute_script("return desk.viewer.view.scale")
    # turned about its middle, which is where it was dragged to
    middles = [[m[0] * 249.5 + m[2] * 249.5 + m[4], m[1] * 249.5 + m[3] * 249.5 + m[5]] for m in (before, after)]
    assert [middles[1][k] - middles[0][k] for k in (0, 1)] == pytest.approx([6 / scale, 4 / scale], abs=0.01)
    assert after[1] > before[1]  # clockwise
    click(page, ".hand-bar button.main")
    until_file(job, "hints.near")
    assert f'of = "{PIECES[0]}"' in (job / "job.toml").read_text()
    until_said(page, "#side", "lies about there")
    wait(page, "return desk.viewer.source.layers[1].put === true")
    assert page.execute_script("return desk.viewer.source.layers[1].matrix") == pytest.approx(after, abs=0.1)


def _area(page: Any, job: Path) -> None:
    """An area drawn by pointer and stretched by keys, in which one piece is shown."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    page.execute_script("document.getElementById('view').dataset.drawn = ''")
    click(page, '[data-look="all"]')
    wait(page, DRAWN)
    page.find_element("id", "show-piece").send_keys(PIECES[1])
    click(page, "#show-here")
    x, y = page.execute_script("""const [x, y] = desk.viewer.fromImage([100, 80]);
      const box = document.getElementById('picture').getBoundingClientRect();
      return [x + box.left, y + box.top].map(Math.round)""")
    hand = ActionChains(page)
    hand.w3c_actions.pointer_action.move_to_location(x, y).pointer_down().move_to_location(x + 60, y + 40).pointer_up()
    hand.perform()
    axe(page)
    scale = page.execute_script("return desk.viewer.view.scale * 100 / 25.4")  # px of the screen, an mm
    wide = page.execute_script("return document.getElementById('picture').clientWidth")
    ActionChains(page).key_down(Keys.SHIFT).send_keys(Keys.ARROW_RIGHT).key_up(Keys.SHIFT).perform()
    ActionChains(page).send_keys(Keys.ENTER).perform()
    until_file(job, "hints.show")
    (said,) = tomllib.loads((job / "job.toml").read_text())["join"]["hints"]["show"]
    corners = np.array(said["around"])
    assert said["piece"] == PIECES[1]
    assert corners[0] == pytest.approx(np.array([100.5, 80.5]) * 25.4 / 100, abs=1.5 / scale)
    assert np.ptp(corners, axis=0) == pytest.approx(np.array([60 + 0.02 * wide, 40]) / scale, abs=2 / scale)


def _mark(page: Any, job: Path) -> None:
    """The same spot marked in both pieces: pointed at under a magnified window, taken back, and under the crosses."""
    from selenium.webdriver.common.action_chains import ActionChains

    marked = {}
    for way in ("pointed", "crosses"):
        click(page, '[data-say="side by side"]')
        wait(page, "return document.querySelectorAll('.spot canvas').length === 2")
        if way == "pointed":
            pane = page.find_element("css selector", ".spot")
            ActionChains(page).move_to_element_with_offset(pane, 20, 10).perform()
            wait(page, "return document.querySelector('.lens').offsetWidth > 100")
            ActionChains(page).click().perform()
            axe(page)
        click(page, ".spot-bar button.main")
        until_file(job, "hints.same_point")
        until_said(page, "#side", "the same spot in")
        wait(page, "return document.querySelector('.spots') === null")
        marked[way] = tomllib.loads((job / "job.toml").read_text())["join"]["hints"]["same_point"][0]
        if way == "pointed":
            page.find_element("css selector", "body").send_keys(CONTROL + "z")
            wait(page, "return !document.getElementById('side').innerText.includes('the same spot in')")
            assert "hints.same_point" not in (job / "job.toml").read_text()
    off = [one - other for one, other in zip(marked["pointed"]["a_at"], marked["crosses"]["a_at"], strict=True)]
    assert off == pytest.approx([20, 10], abs=1.0) and marked["pointed"]["b_at"] == marked["crosses"]["b_at"]


def until_file(job: Path, words: str, seconds: float = 10, *, gone: bool = False) -> None:
    """Until the job file has the words, or has them no more."""
    until = time.monotonic() + seconds
    while (words in (job / "job.toml").read_text()) == gone:
        assert time.monotonic() < until, f"never {'taken back' if gone else 'written'}: {words}"
        time.sleep(0.02)


def test_by_keys_alone(browser: Any, tmp_path: Path) -> None:
    """Tab, Enter, Space, arrows: a folder is chosen, a piece left out and taken back, moved, placed, the canvas begun,
    stopped, made, looked at one to one, and the last choice undone."""
    job, page = tmp_path / "keys", browser
    cut_pieces(job / "scans")
    with desk(job) as address:
        page.get(address)
        _choose_by_keys(page, job)
        until_said(page, "#mat", "can be used")
        until_said(page, "footer", "Nothing is being worked on")
        walk(page, "one.textContent === 'Leave out'", ENTER)
        until_said(page, "#mat", "left out")
        until_said(page, "footer", "Nothing is being worked on")
        assert "leave_out" in (job / "job.toml").read_text()
        press(page, CONTROL + "z")
        wait(page, "return document.querySelectorAll('.verdict.usable').length === 2")
        until_said(page, ".line", "Pieces\ndone")

        walk(page, "one.href?.endsWith('/at/placing')", ENTER)
        wait(page, "return document.body.dataset.stop === 'placing' && !!document.getElementById('move-piece')")
        wait(page, DRAWN)
        walk(page, "one.id === 'move-piece'", DOWN)
        walk(page, "one.id === 'move'", ENTER)
        before = page.execute_script("return desk.viewer.source.layers[1].matrix")
        press(page, RIGHT, RIGHT, LEFT, DOWN, ".")
        after = page.execute_script("return desk.viewer.source.layers[1].matrix")
        middles = [[m[0] * 249.5 + m[2] * 249.5 + m[4], m[1] * 249.5 + m[3] * 249.5 + m[5]] for m in (before, after)]
        mm = 100 / 25.4
        assert [middles[1][k] - middles[0][k] for k in (0, 1)] == pytest.approx([mm, mm], abs=1e-6)
        press(page, ENTER)
        until_file(job, "hints.near")
        until_said(page, "#side", "lies about there")
        walk(page, "one.dataset.start === 'placing'", ENTER)
        until_said(page, "#side", "What it changed")
        until_said(page, "footer", "Nothing is being worked on")

        walk(page, "one.href?.endsWith('/at/canvas')", ENTER)
        wait(page, "return document.body.dataset.stop === 'canvas'")
        walk(page, "one.dataset.start === 'canvas'", SPACE)
        until_said(page, ".line", "being worked on")
        walk(page, "one.dataset.post === '/stop'")
        begun = time.monotonic()
        press(page, ENTER)
        until_said(page, "footer", "Nothing is being worked on", 5)
        assert time.monotonic() - begun < 2  # a second, and the time the page takes to say so
        walk(page, "one.dataset.start === 'canvas'", SPACE)
        until_said(page, ".line", "being worked on")
        until_said(page, "footer", "Nothing is being worked on")
        wait(page, DRAWN)
        walk(page, "one.id === 'picture'", "1")
        wait(page, "return document.getElementById('where').textContent === '100 %'")
        press(page, CONTROL + "z")
        until_said(page, "#side", "Something changed since it was made")
        assert "hints.near" not in (job / "job.toml").read_text()
        complaints(page)


def _choose_by_keys(page: Any, job: Path) -> None:
    """The folder of the scans, by its way from the job's folder down."""
    walk(page, "one.dataset.folders === 'add_folder'", ENTER)
    for script in (f"one.textContent === '{job}'", "one.textContent === 'scans'", "'choose' in one.dataset"):
        wait(page, f"return [...document.querySelectorAll('#folders button')].some((one) => {script})")
        walk(page, script, ENTER)


def press(page: Any, *keys: str) -> None:
    """Press keys where the focus is; control holds for the key after it."""
    from selenium.webdriver.common.action_chains import ActionChains

    for key in keys:
        chain = ActionChains(page)
        if key.startswith(CONTROL):
            chain.key_down(CONTROL).send_keys(key[1:]).key_up(CONTROL).perform()
        else:
            chain.send_keys(key).perform()


def walk(page: Any, script: str, *keys: str) -> None:
    """Tab until what has the focus is what the script asks for, then press keys."""
    for _ in range(110):
        if page.execute_script(f"const one = document.activeElement; return !!({script})"):
            press(page, *keys)
            return
        press(page, TAB)
    raise AssertionError(f"not reached by Tab: {script}")
