"""I check the layered file against the open specification, and that its layers give its merged picture."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from PIL import Image
from region_pages import RegionPage, region_page

from stitchbed.color.profiles import srgb_profile
from stitchbed.copies.artwork import Artwork, check_sizes, is_painted
from stitchbed.copies.flat_layers import MOST_LAYERS, flat_layers
from stitchbed.copies.openraster import AREAS, write_layers
from stitchbed.core.errors import BadSettings, WouldTouchOriginal
from stitchbed.page.page import Page, page_of_array

ICC = srgb_profile()
COLORS = ("#f3c9b5", "#a8d5c8", "#f2df9b", "#bcbce6", "#ffffff")


def _page(pixels: np.ndarray, alpha: np.ndarray | None = None, *, dpi: float = 300, icc: bytes | None = ICC) -> Page:
    page = page_of_array(pixels, dpi, icc=icc)
    return page if alpha is None else replace(page, cover=lambda box: alpha[box.slices])


def _art(drawn: RegionPage, dtype: str = "uint8", *, colors: int = len(COLORS), gray: bool = False) -> Artwork:
    """Dark blue (or gray) lines over flats in some colors, one of them the paper's; and the page they came from."""
    scale = np.iinfo(dtype).max // 255
    table = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in COLORS], np.uint8)
    if colors > len(table):
        table = np.random.default_rng(2).integers(40, 240, (colors, 3), dtype=np.uint8)
    flats = table[drawn.truth % len(table)].astype(dtype) * scale
    ink = np.broadcast_to(np.array([10, 20, 60], np.uint8), flats.shape)[..., : 1 if gray else 3]
    alpha = drawn.alpha.astype(dtype) * scale
    lines = _page(ink.astype(dtype) * scale, alpha, icc=None if gray else ICC)
    seen = (255 - drawn.alpha[..., None] * 0.9).astype(dtype) * scale
    return Artwork(_page(np.repeat(seen, 3, axis=2)), lines, _page(flats))


@pytest.fixture(scope="module")
def drawn() -> RegionPage:
    return region_page(300, 1, size=(40.0, 26.0))


@pytest.fixture(scope="module", params=[("uint8", 8), ("uint16", 16), ("uint16", 8)])
def written(request: pytest.FixtureRequest, drawn: RegionPage, tmp_path_factory: pytest.TempPathFactory) -> Path:
    dtype, bits = request.param
    path = tmp_path_factory.mktemp("ora") / "map.ora"
    write_layers(path, _art(drawn, dtype), bits=bits, workers=2)
    return path


def _png(data: bytes) -> np.ndarray:
    """(h, w, c) as stored, RGB order, by OpenCV."""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    order = [2, 1, 0, 3][: picture.shape[2]]
    return picture[..., order]


def _composed(archive: zipfile.ZipFile) -> np.ndarray:
    """Layers blended from the bottom up, src-over on stored codes, by the specification and nothing of ours."""
    image = ElementTree.fromstring(archive.read("stack.xml"))
    height, width = int(image.attrib["h"]), int(image.attrib["w"])
    result = np.zeros((height, width, 3))
    for layer in reversed(list(image.iter("layer"))):
        if layer.attrib.get("visibility", "visible") == "hidden":
            continue
        picture = _png(archive.read(layer.attrib["src"]))
        top = np.iinfo(picture.dtype).max
        share = picture[..., 3:] / top if picture.shape[2] == 4 else np.ones((*picture.shape[:2], 1))
        x, y = int(layer.attrib.get("x", 0)), int(layer.attrib.get("y", 0))
        part = result[y : y + picture.shape[0], x : x + picture.shape[1]]
        part[:] = picture[..., :3] / top * share + part * (1 - share)
    return result


def test_baseline_layout(written: Path) -> None:
    """OpenRaster baseline: zip with mimetype first, stored, 16 bytes; stack.xml; thumbnail; merged picture; data/."""
    with zipfile.ZipFile(written) as archive:
        entries = archive.infolist()
        assert entries[0].filename == "mimetype"
        assert entries[0].compress_type == zipfile.ZIP_STORED
        assert archive.read("mimetype") == b"image/openraster"
        assert written.read_bytes()[30:54] == b"mimetypeimage/openraster"
        assert {e.compress_type for e in entries} <= {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
        assert archive.testzip() is None
        names = {e.filename for e in entries}
        assert {"stack.xml", "mergedimage.png", "Thumbnails/thumbnail.png"} <= names
        image = ElementTree.fromstring(archive.read("stack.xml"))
        assert image.tag == "image"
        assert {"version", "w", "h", "xres", "yres"} == set(image.attrib)
        assert image.attrib["xres"] == image.attrib["yres"] == "300"
        roots = list(image)
        assert [(r.tag, r.attrib) for r in roots] == [("stack", {})]
        layers = list(image.iter("layer"))
        assert {layer.attrib["src"] for layer in layers} <= names
        assert all(layer.attrib["src"].startswith("data/") for layer in layers)
        assert [e.tag for e in roots[0]] == ["layer", "layer", "stack", "layer"]
        named = [e.attrib["name"] for e in roots[0]]
        assert named == ["Lines", "Scan, for reference", "Flats", "Paper"]
        assert roots[0][1].attrib["visibility"] == "hidden"


def test_pictures_are_as_the_specification_wants(written: Path, drawn: RegionPage) -> None:
    with zipfile.ZipFile(written) as archive:
        thumbnail = Image.open(io.BytesIO(archive.read("Thumbnails/thumbnail.png")))
        assert max(thumbnail.size) == 256
        assert thumbnail.mode == "RGB"
        assert not thumbnail.info.get("interlace")
        merged = Image.open(io.BytesIO(archive.read("mergedimage.png")))
        assert merged.size == drawn.alpha.shape[::-1]
        for name in archive.namelist():
            if name.endswith(".png") and not name.startswith("Thumbnails"):
                picture = Image.open(io.BytesIO(archive.read(name)))
                assert picture.info["icc_profile"] == ICC, name
                assert round(picture.info["dpi"][0]) == 300, name


def test_layers_give_the_merged_picture(written: Path) -> None:
    with zipfile.ZipFile(written) as archive:
        merged = _png(archive.read("mergedimage.png"))
        top = np.iinfo(merged.dtype).max
        # the task's own bound: one code of 8 bits; one of the file's own depth holds
        assert np.abs(_composed(archive) * top - merged).max() <= 1


def test_one_layer_for_each_color_but_the_papers(written: Path) -> None:
    with zipfile.ZipFile(written) as archive:
        image = ElementTree.fromstring(archive.read("stack.xml"))
        flats = [layer for layer in image.iter("layer") if "flat" in layer.attrib["src"]]
        names = [layer.attrib["name"] for layer in flats]
        assert len(names) == len(set(names)) == len(COLORS[:-1])
        assert all(re.fullmatch(r"[A-Za-z0-9, ]+ \((\d+|under 1) % of the page\)", name) for name in names)
        for layer in flats:
            picture = _png(archive.read(layer.attrib["src"]))
            assert set(np.unique(picture[..., 3])) <= {0, np.iinfo(picture.dtype).max}
            solid = picture[..., 3] > 0
            assert len(np.unique(picture[solid][:, :3], axis=0)) == 1
            # the box is the smallest there is
            assert solid[0].any() and solid[-1].any() and solid[:, 0].any() and solid[:, -1].any()


def test_an_independent_reader_agrees(written: Path) -> None:
    """pyora (PyPI, MIT) reads and renders OpenRaster by itself; 8 bits only."""
    pyora = pytest.importorskip("pyora")
    project = pyora.Project.load(str(written))
    rendered = np.asarray(project.get_image_data(use_original=False).convert("RGB")).astype(int)
    merged = np.asarray(project.get_image_data(use_original=True).convert("RGB")).astype(int)
    assert np.abs(rendered - merged).max() <= 1
    assert [layer.name for layer in project.children_recursive][-1] == "Paper"


def test_many_colors_are_grouped(tmp_path: Path) -> None:
    drawn = region_page(300, 1, size=(70.0, 50.0))
    art = _art(drawn, colors=40)
    layers = flat_layers(art, 1)
    assert len(layers) <= MOST_LAYERS < len(np.unique(drawn.truth % 40))
    assert sum(len(layer.colors) for layer in layers) == len(np.unique(drawn.truth % 40))
    assert any(re.search(r"\(\d+ colors, (\d+|under 1) % of the page\)$", layer.name) for layer in layers)
    write_layers(tmp_path / "a.ora", art, bits=8)
    with zipfile.ZipFile(tmp_path / "a.ora") as archive:
        assert np.abs(_composed(archive) * 255 - _png(archive.read("mergedimage.png"))).max() <= 1


def test_gray_lines_and_runs_agree(drawn: RegionPage, tmp_path: Path) -> None:
    art = _art(drawn, gray=True)
    for name, workers in (("a.ora", 1), ("b.ora", 3)):
        write_layers(tmp_path / name, art, bits=8, workers=workers)
    assert (tmp_path / "a.ora").read_bytes() == (tmp_path / "b.ora").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.ora") as archive:
        assert _png(archive.read("data/lines.png")).shape[2] == 4
        assert np.abs(_composed(archive) * 255 - _png(archive.read("mergedimage.png"))).max() <= 1


def test_a_painting_shows_itself_and_its_lines_are_not_drawn_twice(drawn: RegionPage, tmp_path: Path) -> None:
    art = _art(drawn)
    assert art.lines is not None and art.flats is not None
    soft = cv2.GaussianBlur(art.flats.read(art.flats.box), (0, 0), 12)  # washes without outlines of one color
    washes = np.asarray(soft * (1 - drawn.alpha[..., None] / 255.0), np.uint8)
    painting = Artwork(_page(washes), art.lines, None)
    assert is_painted(painting) and not is_painted(art)
    write_layers(tmp_path / "washes.ora", replace(painting, painted=True), bits=8)
    with zipfile.ZipFile(tmp_path / "washes.ora") as archive:
        stack = ElementTree.fromstring(archive.read("stack.xml"))
        shown = {layer.attrib["name"]: layer.attrib["visibility"] for layer in stack.iter("layer")}
        assert {name for name, word in shown.items() if word == "visible"} == {"Painting", "Paper"}
        areas = {layer.attrib["name"] for layer in stack.findall(f".//stack[@name='{AREAS}']/layer")}
        assert areas and shown.keys() - areas == {"Lines", "Painting", "Paper"}
        assert np.array_equal(_png(archive.read("mergedimage.png")), washes)
        assert np.abs(_composed(archive) * 255 - washes).max() <= 1e-6
        assert _png(archive.read("data/lines.png")).shape[2] == 4  # they are there, to be used


def test_nothing_is_lost_that_was_not_made_here(drawn: RegionPage, tmp_path: Path) -> None:
    path = tmp_path / "a.ora"
    path.write_bytes(b"precious")
    with pytest.raises(WouldTouchOriginal):
        write_layers(path, _art(drawn), bits=8, originals=[path])
    assert path.read_bytes() == b"precious" and [p.name for p in tmp_path.iterdir()] == ["a.ora"]
    write_layers(path, _art(drawn), bits=8)
    assert (tmp_path / "a-1.ora").read_bytes() == b"precious"
    assert sorted(p.name for p in tmp_path.glob("[!.]*")) == ["a-1.ora", "a.ora"]


def test_layers_that_do_not_fit_are_refused(drawn: RegionPage) -> None:
    art = _art(drawn)
    small = page_of_array(np.zeros((10, 10, 3), np.uint8), 300)
    for wrong in (replace(art, flats=small), replace(art, lines=small), Artwork(None, None, None)):
        with pytest.raises(BadSettings):
            check_sizes(wrong)


def test_a_painting_comes_with_areas_to_select_by(tmp_path: Path) -> None:
    """Sky over sea with a sun, uneven and lined: each is a layer named by color and place, near its true shape."""
    rng = np.random.default_rng(5)
    truth = np.zeros((560, 720), np.uint8)
    truth[30:250, 30:690], truth[250:530, 30:690] = 1, 2
    cv2.circle(truth, (520, 130), 62, 3, -1)
    colors = np.array([(255, 255, 255), (176, 214, 240), (60, 110, 160), (236, 190, 80)], np.uint8)
    uneven = cv2.resize(rng.normal(0, 7, (14, 18)), (720, 560), interpolation=cv2.INTER_CUBIC)
    seen = np.clip(colors[truth] + (uneven + rng.normal(0, 2, truth.shape))[..., None] * (truth > 0)[..., None], 0, 255)
    seen = seen.astype(np.uint8)
    for row in range(40, 560, 45):
        cv2.line(seen, (30, row), (690, row + 9), (40, 40, 50), 2, cv2.LINE_AA)
    page = _page(seen, dpi=200)
    lines = _page(np.zeros_like(seen), np.zeros(truth.shape, np.uint8), dpi=200)
    write_layers(tmp_path / "sea.ora", Artwork(page, lines, None, painted=True), bits=8)
    with zipfile.ZipFile(tmp_path / "sea.ora") as archive:
        stack = ElementTree.fromstring(archive.read("stack.xml"))
        layers = stack.findall(f".//stack[@name='{AREAS}']/layer")
        assert [layer.attrib["name"] for layer in layers] == [
            "Yellow, top right (3 % of the page)",
            "Light blue, top (33 % of the page)",
            "Blue, bottom (46 % of the page)",
        ]
        for layer, number in zip(layers, (3, 1, 2), strict=True):
            x, y = int(layer.attrib["x"]), int(layer.attrib["y"])
            alpha = _png(archive.read(layer.attrib["src"]))[..., 3]
            mine = np.zeros(truth.shape, bool)
            mine[y : y + alpha.shape[0], x : x + alpha.shape[1]] = alpha > 0
            assert (mine & (truth == number)).sum() > 0.97 * (mine | (truth == number)).sum()
        assert np.array_equal(_png(archive.read("mergedimage.png")), seen)
