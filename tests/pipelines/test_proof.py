"""I check the proof pages of clean, color and rectify: what they show is what was read and written."""

from __future__ import annotations

import base64
import io
import re
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
import tifffile
from browser import chromium, complaints, wait  # noqa: F401 (a fixture)
from click.testing import CliRunner
from page.clean.test_clean import SPECKS, _scan
from PIL import Image
from pipelines.test_color import measured24, saved
from report.test_page import NASTY
from synthetic_charts import chart_picture, shown

from stitchbed.cli.commands import clean, color, rectify
from stitchbed.core.errors import WouldTouchOriginal
from stitchbed.core.files import sha256_of
from stitchbed.pipelines import proof as proof_steps
from stitchbed.pipelines.proof import inpainted_spots, prove_step
from stitchbed.report.blocks import PagePair, Shown
from stitchbed.report.page import PageTiles, page_html


@pytest.fixture(scope="module")
def cleaned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a scan, its clean page and the proof page of that."""
    folder = tmp_path_factory.mktemp("proof of a step")
    _scan(folder / "map.tif")
    words = [str(folder / "map.tif"), "-o", str(folder / "clean.tif"), "--proof", str(folder / "clean.html"), "--quiet"]
    result = CliRunner().invoke(clean.command, words, catch_exceptions=False)
    assert result.exit_code == 0
    return folder


def _pictures(page: str) -> list[np.ndarray]:
    section = re.search(r'<section id="pairs">(.*?)</section>', page, re.DOTALL)
    assert section is not None
    found = re.findall(r'src="data:image/jpeg;base64,([^"]+)" width="(\d+)" height="(\d+)"', section[1])
    pictures = [np.asarray(Image.open(io.BytesIO(base64.b64decode(data)))) for data, _, _ in found]
    assert [p.shape[1::-1] for p in pictures] == [(int(w), int(h)) for _, w, h in found]
    return pictures


def test_a_clean_up_shows_the_whole_and_every_step(cleaned: Path) -> None:
    page = (cleaned / "clean.html").read_text(encoding="utf-8")
    assert "Proof of a clean-up: clean.tif" in page
    titles = re.findall(r"<h3>(.*?)</h3>", page)
    assert titles == ["The whole", "Border", "Paper", "Dust", "Dust, place by place", "Tone"]
    before, after, border, *steps = _pictures(page)
    del steps[4]  # the places of dust, each before above and after below: one picture
    assert "each before above and after below.</figcaption>" in page
    assert page.count('class="curtain"') == 4  # all but the border's, whose sides show two places
    assert [a.shape == b.shape for a, b in zip(steps[::2], steps[1::2], strict=True)] == [True] * 3
    # the lid is dark, the clean page's rim is white paper: codes 0.1 and 1.0 of light are 89 and 255
    assert border[2:6, 2:6].mean() < 110
    assert after[2:6, 2:6].mean() > 250
    # before lies under after: the same strokes at the same place, so that nothing jumps where the line goes
    assert before.shape == after.shape
    dark = [picture.mean(axis=2) < 110 for picture in (before, after)]
    moved = [np.roll(dark[0], by, axis=(0, 1)) for by in ((0, 0), (0, 3), (3, 0), (0, -3), (-3, 0))]
    agree = [(one & dark[1]).sum() / (one | dark[1]).sum() for one in moved]
    assert agree[0] == max(agree) and agree[0] > 0.7
    for path in (cleaned / "map.tif", cleaned / "clean.tif"):
        assert sha256_of(path) in page
    assert f"<p>{len(SPECKS)} specks were filled" in page
    assert "strength" in page  # a setting


def test_spots_lie_where_dust_lay(cleaned: Path) -> None:
    step: dict[str, Any] = {"step": "dust", "numbers": {"dust": 5}}
    result: dict[str, Any] = {"outputs": {"clean_steps/dust_mask.tif": ""}, "numbers": {"steps": [step]}}
    spots = inpainted_spots(result, cleaned / "clean.tif")["spots"]
    # mm on the sheet, less .1 mm that is cut off inside its edge; .3 mm is the task's own bound for the crop
    found = sorted((spot["x"] / 300 * 25.4 + 0.1, spot["y"] / 300 * 25.4 + 0.1) for spot in spots)
    assert np.allclose(found, sorted((x + 0.05, y) for x, y in SPECKS), atol=0.35)
    assert inpainted_spots({**result, "outputs": {}}, cleaned / "clean.tif") == {}
    places = [{"x_mm": 3.0, "y_mm": 4.0, "size_mm": 0.1}]
    step["numbers"] = {"dust": 5, "doubtful": 1, "doubtful_places": places}
    assert inpainted_spots(result, cleaned / "clean.tif") == {
        "mended": 5, "spots": spots, "doubtful": 1, "in_doubt": places,
    }  # fmt: skip
    without = inpainted_spots({**result, "outputs": {}}, cleaned / "clean.tif")
    assert without == {"mended": 0, "spots": [], "doubtful": 1, "in_doubt": places}


def test_many_spots_are_thinned_all_over_the_page(cleaned: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof_steps, "MOST_SPOTS", 3)
    step = {"step": "dust", "numbers": {"dust": 5}}
    result: dict[str, Any] = {"outputs": {"clean_steps/dust_mask.tif": ""}, "numbers": {"steps": [step]}}
    rows = [spot["y"] / 300 * 25.4 for spot in inpainted_spots(result, cleaned / "clean.tif")["spots"]]
    assert len(rows) == 3
    # the first and the last of SPECKS from above lie at 12 and 44 mm
    assert min(rows) < 13 and max(rows) > 43


def test_color_shows_both_sides_and_the_patches(tmp_path: Path) -> None:
    picture = saved(chart_picture(shown("A").light, np.random.default_rng(1)), tmp_path / "seen.tif")
    words = [str(picture), "-o", str(tmp_path / "true.tif"), "--card", "24", "--patches", str(measured24(tmp_path))]
    words += ["--proof", str(tmp_path / "true.html"), "--quiet"]
    assert CliRunner().invoke(color.command, words, catch_exceptions=False).exit_code == 0
    page = (tmp_path / "true.html").read_text(encoding="utf-8")
    assert "Proof of color: true.tif" in page
    assert page.count('class="pair"') == 2 * 24
    for side, path in zip(_pictures(page), (picture, tmp_path / "true.tif"), strict=True):
        stored = tifffile.imread(path)
        wanted = stored.reshape(-1, 3).mean(axis=0) * 255 / np.iinfo(stored.dtype).max
        # both are sRGB: reduced, and JPEG at quality 88, keep the mean within a code; they differ by some 5
        assert np.abs(side.reshape(-1, 3).mean(axis=0) - wanted).max() < 1.5


def test_rectify_shows_photo_and_result(tmp_path: Path) -> None:
    photo = np.full((600, 900, 3), 60, np.uint8)
    photo[100:500, 150:750] = np.random.default_rng(1).integers(150, 250, (10, 15, 3)).repeat(40, 0).repeat(40, 1)
    tifffile.imwrite(tmp_path / "photo.tif", photo, photometric="rgb")
    corners = ["150,100", "749,100", "749,499", "150,499"]
    words = [str(tmp_path / "photo.tif"), "-o", str(tmp_path / "flat.tif"), "--dpi", "100", "--size", "152.4x101.6mm"]
    words += ["--corners", *corners, "--scan", "--light", "none", "--proof", str(tmp_path / "flat.html"), "--quiet"]
    assert CliRunner().invoke(rectify.command, words, catch_exceptions=False).exit_code == 0
    before, after = _pictures((tmp_path / "flat.html").read_text(encoding="utf-8"))
    assert before.shape == after.shape == (400, 600, 3)
    # the photo is seen as the result is framed; light is left, so both are the same but for JPEG
    assert np.abs(before.astype(int) - after).mean() < 1
    assert np.abs(np.roll(before, 3, axis=1).astype(int) - after).mean() > 2


def test_no_source_is_written_over(cleaned: Path) -> None:
    record = {"step": "clean", "inputs": {}, "outputs": {}, "numbers": {}}
    source = cleaned / "map.tif"
    before = sha256_of(source)
    with pytest.raises(WouldTouchOriginal):
        prove_step(source, record, [source], cleaned / "clean.tif")
    assert sha256_of(source) == before


@pytest.mark.parametrize("count", [1, 2])
def test_words_cannot_become_markup(count: int) -> None:
    pair = PagePair(NASTY, NASTY, (Shown(b"\xff\xd8", 4, 3, NASTY),) * count, curtain=count == 2)
    html = page_html({}, PageTiles(4, 3, 512, 0, NASTY), {}, [pair])
    assert "<img src=x" not in html
    assert html.count("<img ") == count
    assert 'id="pairs"' not in page_html({}, PageTiles(4, 3, 512, 0, ""), {})


def test_the_page_opens_in_a_browser(browser: Any, cleaned: Path) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    browser.get("file://" + quote(str(cleaned / "clean.html")))
    wait(browser, "return document.getElementById('stage').dataset.drawn === 'yes'")
    loaded = "return [...document.querySelectorAll('main img')].map(i => i.complete && i.naturalWidth > 0)"
    assert browser.execute_script(loaded) == [True] * 10
    for n, curtain in enumerate(browser.find_elements("css selector", ".curtain input")):
        browser.execute_script("arguments[0].scrollIntoView({ block: 'center' })", curtain)
        line = "const r = arguments[0]; return parseFloat(getComputedStyle(r.parentNode).getPropertyValue('--part'))"
        assert browser.execute_script(line, curtain) == 0.5
        shown = "const r = arguments[0].getBoundingClientRect(); return [r.left, r.top, r.width, r.height]"
        left, top, width, height = browser.execute_script(shown, curtain)
        # by mouse: the line goes where it is dragged, less than a px off
        mouse = ActionChains(browser, duration=0).w3c_actions
        mouse.pointer_action.move_to_location(round(left + width / 2), round(top + height / 3)).pointer_down()
        mouse.pointer_action.move_to_location(round(left + width / 4), round(top + height / 3)).pointer_up()
        mouse.perform()
        at = browser.execute_script(line, curtain)
        grip = 2.8 * 16
        assert abs(grip / 2 + (width - grip) * at - round(left + width / 4) + left) < 2
        assert browser.execute_script("return getComputedStyle(arguments[0]).touchAction", curtain) == "pan-y"
        # by keys
        curtain.send_keys("\ue014")
        assert browser.execute_script(line, curtain) > at
        curtain.send_keys("\ue010" if n % 2 else "\ue011")  # to an end
        assert browser.execute_script(line, curtain) == n % 2
    assert n == 3
    # of the overlays only dust can be there; its key is the first
    assert len(browser.find_elements("css selector", "[data-shows]")) == 1
    browser.find_element("css selector", "#picture").send_keys("1")
    script = "const g = document.getElementById('over-dust'); return [g.style.display, g.childElementCount]"
    assert browser.execute_script(script) == ["", 2 * len(SPECKS)]
    for width in (1280, 500):
        browser.set_window_size(width, 900)
        assert browser.execute_script("return document.documentElement.scrollWidth <= window.innerWidth")
    browser.set_window_size(1280, 900)
    assert complaints(browser) == []
