"""I check the picture viewer in a real browser: its arithmetic, its pixels against the picture, its gestures.

The viewer is served as a module file here, as a page of a server would load it; the proof page has it inside.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import chromium, complaints, wait  # noqa: F401 (a fixture)
from PIL import Image

import stitchbed.report
from stitchbed.report.tiles import halvings_of

VIEWER = Path(stitchbed.report.__file__).parent / "viewer" / "viewer.js"
TILE, WIDTH, HEIGHT = 512, 1900, 1300
STAGE = 800, 500  # css px
HALVINGS = halvings_of(WIDTH, HEIGHT)
OPEN = """
  const done = arguments[arguments.length - 1];
  document.body.replaceChildren();
  document.body.style.margin = "0";
  const element = document.createElement("div");
  Object.assign(element.style, { position: "relative", width: "800px", height: "500px" });
  document.body.append(element);
  window.asked = []; window.seen = []; window.settled = 0; window.lost = [];
  import("/viewer.js").then((module) => {
    if (window.viewer) window.viewer.close();
    Object.assign(window, module);
    window.viewer = pictureViewer(element, arguments[0]);
    viewer.on("view", (view) => seen.push({ ...view })).on("settled", () => settled++);
    viewer.on("lost", (tile) => lost.push(tile));
    window.source = { width: 1900, height: 1300, tile: 512, halvings: 2,
      url: (...place) => { asked.push(place); return `/${place.join("-")}.png`; } };
    viewer.open(source);
    done();
  });
"""


def coded(rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """A color that tells a pixel's place: columns in red, rows in green, which 256 px (3 bits each) in blue."""
    return np.stack(np.broadcast_arrays(cols % 256, rows % 256, cols // 256 * 16 + rows // 256), -1).astype(np.uint8)


class Shelf(SimpleHTTPRequestHandler):
    """The viewer, an empty page, and tiles whose color tells their place."""

    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        name = self.path.strip("/").split("?")[0]
        kinds = {"viewer.js": "text/javascript", "": "text/html"}
        if name in kinds:
            body = VIEWER.read_bytes() if name else b"<!DOCTYPE html><title>stage</title><link rel=icon href=data:,>"
        else:
            place = name.removesuffix(".png").split("-")
            if not all(word.isdigit() for word in place):
                return self.send_error(404)
            body = tile_png(*map(int, place))
        self.send_response(200)
        self.send_header("Content-Type", kinds.get(name, "image/png"))
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *words: Any) -> None:
        """Nothing is logged."""


def tile_png(halvings: int, row: int, col: int) -> bytes:
    """One tile; of smaller levels every 2nd, 4th pixel: enough to tell where one is."""
    rows, cols = (np.arange(place * TILE, (place + 1) * TILE) * 2**halvings for place in (row, col))
    buffer = io.BytesIO()
    Image.fromarray(coded(rows[rows < HEIGHT, None], cols[None, cols < WIDTH])).save(buffer, "PNG", compress_level=1)
    return buffer.getvalue()


@pytest.fixture(scope="module")
def served(browser: Any) -> Iterator[Any]:
    """The browser on the empty page of a server of this machine."""
    with ThreadingHTTPServer(("127.0.0.1", 0), partial(Shelf, directory="/nonexistent")) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        browser.get(f"http://127.0.0.1:{server.server_port}/")
        yield browser
        browser.get("about:blank")
        server.shutdown()


@pytest.fixture
def stage(served: Any) -> Any:
    """A viewer on a stage of 800 x 500 css px, every tile there."""
    return opened(served)


def opened(served: Any, **settings: Any) -> Any:
    """A viewer with settings, settled."""
    served.execute_async_script(OPEN, settings)
    settle(served)
    return served


def settle(page: Any) -> None:
    """Until every tile of the view is drawn."""
    page.execute_script("window.settled = 0; viewer.zoomBy(1)")
    wait(page, "return window.settled > 0")


def view(page: Any) -> dict[str, float]:
    """Where one looks."""
    return dict(page.execute_script("return viewer.view"))


def at(page: Any, x: float, y: float) -> np.ndarray:
    """Place of the picture under a place of the stage."""
    return np.array(page.execute_script("return viewer.toImage(arguments[0])", [x, y]))


def dense(page: Any, density: float) -> None:
    """Give the screen so many dots for each css px."""
    page.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": 1280, "height": 900, "deviceScaleFactor": density, "mobile": False},
    )


# ------------------------------------------------------------------ arithmetic


def some_views(count: int) -> list[dict[str, float]]:
    """Views of every kind, some far beside the picture."""
    rng = np.random.default_rng(5)
    scales = np.exp2(rng.uniform(-6, 5, count))
    return [
        {"scale": float(s), "left": float(left), "top": float(top)}
        for s, (left, top) in zip(scales, rng.uniform(-3000, 1500, (count, 2)), strict=True)
    ]


def test_places_go_both_ways(stage: Any) -> None:
    places = np.random.default_rng(1).uniform(-50, 2000, (40, 2))
    views = some_views(40)
    script = (
        "return arguments[0].map((v, i) => [fromImage(v, arguments[1][i]), toImage(v, fromImage(v, arguments[1][i]))])"
    )
    found = np.array(stage.execute_script(script, views, places.tolist()))
    # the center of pixel (x, y) lies half a pixel from its corner
    wanted = [
        np.array([v["left"], v["top"]]) + v["scale"] * (place + 0.5) for v, place in zip(views, places, strict=True)
    ]
    assert np.allclose(found[:, 0], wanted, atol=1e-7)
    assert np.allclose(found[:, 1], places, atol=1e-7)


@pytest.mark.parametrize("frame", [[0, 0, 1900, 1300], [10, 20, 1, 1], [400, 300, 50, 900], [1899, 1299, 1, 1]])
def test_a_frame_is_shown_whole_in_the_middle(stage: Any, frame: list[int]) -> None:
    found = stage.execute_script("return fitted(arguments[0], { width: 800, height: 500 })", frame)
    x, y, width, height = frame
    ends = [
        np.array([found["left"], found["top"]]) + found["scale"] * np.array(p)
        for p in ((x, y), (x + width, y + height))
    ]
    assert np.allclose(ends[0] + ends[1], STAGE)  # the middle of the frame in the middle of the stage
    assert np.isclose((ends[1] - ends[0]) / STAGE, 1).any()
    assert np.all(ends[1] - ends[0] <= np.array(STAGE) + 1e-9)


def test_a_zoom_leaves_the_place_under_the_pointer(stage: Any) -> None:
    views, points = some_views(30), np.random.default_rng(2).uniform(0, 500, (30, 2)).tolist()
    script = """return arguments[0].map((v, i) => [0.3, 1, 7].map((factor) => {
      const p = arguments[1][i], next = zoomed(v, factor, p);
      return [...toImage(v, p), ...toImage(next, p), next.scale / v.scale / factor];
    }))"""
    found = np.array(stage.execute_script(script, views, points)).reshape(-1, 5)
    assert np.allclose(found[:, :2], found[:, 2:4], atol=1e-6)
    assert np.allclose(found[:, 4], 1)


@pytest.mark.parametrize("factor", [0.2, 1, 1 + 1e-9, 5])
def test_a_glide_goes_evenly_and_holds_what_both_ends_hold(stage: Any, factor: float) -> None:
    script = """const from = { scale: 0.7, left: -40, top: 90 }, to = zoomed(from, arguments[0], [300, 200]);
      return [0, 0.25, 0.5, 1].map((part) => { const v = between(from, to, part);
        return [v.scale / from.scale, ...fromImage(v, toImage(from, [300, 200]))]; })"""
    found = np.array(stage.execute_script(script, factor))
    assert np.allclose(found[:, 0], factor ** np.array([0, 0.25, 0.5, 1]))
    assert np.allclose(found[:, 1:], [300, 200], atol=1e-4)
    moved = stage.execute_script("return between({ scale: 2, left: 0, top: 0 }, { scale: 2, left: 10, top: -6 }, 0.5)")
    assert moved == {"scale": 2, "left": 5, "top": -3}


def test_a_view_never_loses_the_picture(stage: Any) -> None:
    script = """const source = { width: 1900, height: 1300 }, stage = { width: 800, height: 500 };
      const held = (view) => allowed(view, stage, source, 2);
      return arguments[0].map((v) => { const w = held(v), again = held(w);
        const moved = [again.scale / w.scale, again.left - w.left, again.top - w.top];
        return [w.scale, ...toImage(w, [400, 250]), ...moved]; })"""
    found = np.array(stage.execute_script(script, some_views(60)))
    whole = min(800 / WIDTH, 500 / HEIGHT)
    assert found[:, 0].min() == pytest.approx(whole / 2)
    assert found[:, 0].max() == pytest.approx(32 / 2)  # 32 dots, of which a css px has two
    edge = 0.5 + 1e-6
    assert np.all((found[:, 1:3] >= -edge) & (found[:, 1:3] <= np.array([WIDTH, HEIGHT]) - 1 + edge))
    assert np.allclose(found[:, 3:], [1, 0, 0], atol=1e-6)


def test_every_level_has_a_pixel_for_each_dot(stage: Any) -> None:
    scales = [4, 1, 0.999, 0.51, 0.5, 0.3, 0.25, 0.2, 0.01]
    script = "return arguments[0].map((scale) => [1, 2].map((dots) => levelOf({ scale }, 3, dots)))"
    found = stage.execute_script(script, scales)
    assert [one for one, _ in found] == [0, 0, 0, 0, 1, 1, 2, 2, 3]
    assert [two for _, two in found] == [0, 0, 0, 0, 0, 0, 1, 1, 3]


def test_tiles_asked_for_are_those_one_sees(stage: Any) -> None:
    rng = np.random.default_rng(3)
    near = [{"scale": s, "left": -x, "top": -y} for s, x, y in rng.uniform((0.2, -90, -90), (1.5, 300, 200), (20, 3))]
    views = [*some_views(40), *near]
    script = """const source = { width: 1900, height: 1300, tile: 512 }, stage = { width: 800, height: 500 };
      return arguments[0].map((v) => [0, 1, 2].map((level) => tilesIn(v, stage, source, level)))"""
    counts = set()
    for v, levels in zip(views, stage.execute_script(script, views), strict=True):
        for level, found in enumerate(levels):
            span = TILE * 2**level * v["scale"]
            every = [(r, c) for r in range(-(-HEIGHT // (TILE << level))) for c in range(-(-WIDTH // (TILE << level)))]
            corners = {place: (v["left"] + place[1] * span, v["top"] + place[0] * span) for place in every}
            wanted = {p for p, (x, y) in corners.items() if -span < x < STAGE[0] and -span < y < STAGE[1]}
            assert {(row, col) for _, row, col in found} == wanted
            assert all(tile[0] == level for tile in found)
            far = [np.hypot(*(np.add(corners[r, c], span / 2) - np.divide(STAGE, 2))) for _, r, c in found]
            assert far == sorted(far)
            counts.add(len(wanted))
    assert {0, 1}.issubset(counts) and max(counts) >= 9


# ------------------------------------------------------------------ what is drawn


def drawn(page: Any) -> np.ndarray:
    """(h, w, 4) what the stage's canvas holds, one value for each dot."""
    script = """const c = viewer.element.querySelector("canvas");
      return [c.width, c.height, c.toDataURL("image/png").split(",")[1]]"""
    import base64

    width, height, data = page.execute_script(script)
    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGBA"))
    assert pixels.shape == (height, width, 4)
    return pixels


@pytest.mark.parametrize("density", [1, 1.5, 2])
def test_each_dot_shows_the_pixel_that_lies_there(served: Any, density: float) -> None:
    """Beyond twice its size every pixel is a block of its own color, over the border of four tiles."""
    dense(served, density)
    try:
        page = opened(served)
        page.execute_script("viewer.fit([490, 500, 50, 30]); viewer.zoomTo(7.3)")
        settle(page)
        seen, where = drawn(page), view(page)
    finally:
        served.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert seen.shape[:2] == (round(500 * density), round(800 * density))
    assert where["scale"] * density == pytest.approx(7.3)
    edges = [
        ((np.arange(count) + 0.5) / density - corner) / where["scale"]
        for count, corner in zip(seen.shape[:2], (where["top"], where["left"]), strict=True)
    ]
    assert min(edges[0]) < 512 < max(edges[0]) and min(edges[1]) < 512 < max(edges[1])
    wanted = coded(np.floor(edges[0])[:, None], np.floor(edges[1])[None, :])
    # tiles end at whole dots, so the border between two pixels may lie up to a dot beside its place
    sure = [np.abs(edge - np.rint(edge)) * 7.3 > 1.01 for edge in edges]
    assert np.array_equal(seen[np.ix_(*sure)][..., :3], wanted[np.ix_(*sure)])
    assert (seen[..., 3] == 255).all()


def test_a_small_view_is_smooth_whole_and_without_seams(stage: Any) -> None:
    """The whole picture at a scale between levels: no gap where tiles meet, nothing beside the picture."""
    stage.execute_script("viewer.fit()")
    settle(stage)
    seen, where = drawn(stage), view(stage)
    left, top = round(where["left"]), round(where["top"])
    right, bottom = (round(where[k] + where["scale"] * n) for k, n in (("left", WIDTH), ("top", HEIGHT)))
    assert (seen[top:bottom, left:right, 3] == 255).all()
    outside = np.ones(seen.shape[:2], bool)
    outside[top:bottom, left:right] = False
    assert (seen[..., 3][outside] == 0).all()
    assert set(map(tuple, stage.execute_script("return asked"))) == {
        (2, 0, 0),
        *((1, r, c) for r in (0, 1) for c in (0, 1)),
    }


def test_few_tiles_are_kept_and_all_of_a_view(served: Any) -> None:
    page = opened(served, most=6)
    for x, y in [(100, 100), (1800, 100), (1800, 1200), (100, 1200), (900, 600)]:
        page.execute_script("viewer.fit([arguments[0], arguments[1], 90, 60]); viewer.zoomTo(1.5)", x, y)
        settle(page)
        assert page.execute_script("return viewer.kept") <= 6
        assert (drawn(page)[200:300, 350:450, 3] == 255).all()
    page.execute_script("viewer.zoomTo(0.6)")  # all 12 tiles of the largest view are seen at once, more than are kept
    settle(page)
    assert page.execute_script("return viewer.kept") >= 6
    once = page.execute_script("const n = asked.length; viewer.moveBy(1, 1); return n")
    settle(page)
    assert page.execute_script("return asked.length") == once  # what is seen is not fetched again and again


def test_a_lost_tile_is_told_and_the_others_are_shown(served: Any) -> None:
    page = opened(served)
    script = "viewer.open({ ...source, url: (h, row, col) => h ? `/${h}-${row}-${col}.png` : '/no-such-tile.png' })"
    page.execute_script(script)
    page.execute_script("viewer.fit([100, 100, 80, 50]); viewer.zoomTo(4)")
    wait(page, "return lost.length > 0")
    settle(page)
    assert page.execute_script("return lost") == [[0, 0, 0]]
    assert (drawn(page)[..., 3] == 255).all()  # a smaller level stands in
    complaints(page)


# ------------------------------------------------------------------ gestures


def test_the_wheel_zooms_at_the_pointer(stage: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.actions.wheel_input import ScrollOrigin

    before, scale = at(stage, 600, 120), view(stage)["scale"]
    for turn, grown in ((-160, 2**0.5), (-160, 2), (160, 2**0.5)):
        ActionChains(stage, duration=0).scroll_from_origin(ScrollOrigin.from_viewport(600, 120), 0, turn).perform()
        wait(stage, f"return Math.abs(viewer.view.scale / {scale * grown} - 1) < 1e-6")
        assert np.allclose(at(stage, 600, 120), before, atol=0.01)
    assert stage.execute_script("return window.scrollY") == 0


def test_the_mouse_takes_the_picture_along(stage: Any) -> None:
    from selenium.webdriver.common.action_chains import ActionChains

    stage.execute_script("viewer.zoomTo(1)")
    grabbed = at(stage, 300, 200)
    mouse = ActionChains(stage, duration=0).w3c_actions
    mouse.pointer_action.move_to_location(300, 200).pointer_down().move_to_location(420, 260).pointer_up()
    mouse.pointer_action.move_to_location(500, 400)
    mouse.perform()
    assert np.allclose(at(stage, 420, 260), grabbed, atol=0.01)
    ActionChains(stage, duration=0).double_click().perform()
    assert view(stage)["scale"] == pytest.approx(2)


def test_two_fingers_hold_what_is_under_them(stage: Any) -> None:
    stage.execute_script("viewer.zoomTo(1)")
    first, last = [(300, 200), (500, 300)], [(260, 260), (560, 410)]  # moved and drawn 1.5 times apart
    under = [at(stage, *place) for place in first]

    stage.execute_script(
        "window.ids = []; viewer.element.addEventListener('pointerdown', (e) => ids.push(e.pointerId))"
    )

    def touch(kind: str, places: list[tuple[float, float]]) -> None:
        points = [{"x": float(x), "y": float(y), "id": n} for n, (x, y) in enumerate(places)]
        stage.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", first[:1])
    touch("touchStart", first)
    for part in (0.3, 0.7, 1):
        touch("touchMove", [tuple(np.add(a, np.multiply(np.subtract(b, a), part))) for a, b in zip(first, last)])
    wait(stage, "return viewer.view.scale > 1.4999")  # touches come with the next frame
    for place, wanted in zip(last, under, strict=True):
        assert np.allclose(at(stage, *place), wanted, atol=0.02)
    assert view(stage)["scale"] == pytest.approx(1.5, rel=1e-4)
    # the second finger is lifted, the first goes on alone
    stage.execute_script("viewer.element.dispatchEvent(new PointerEvent('pointerup', { pointerId: ids[1] }))")
    touch("touchMove", [(290, 240), last[1]])
    there = "const [x, y] = viewer.toImage([290, 240]); return Math.hypot(x - {}, y - {}) < 0.02"
    wait(stage, there.format(*under[0]))
    assert view(stage)["scale"] == pytest.approx(1.5, rel=1e-4)
    touch("touchEnd", [])


def test_keys_move_and_zoom(stage: Any) -> None:
    element = stage.find_element("css selector", "[role=application]")
    assert element.get_attribute("aria-label") == "The picture"
    home = view(stage)
    element.send_keys("++")
    assert view(stage)["scale"] == pytest.approx(1.6**2 * home["scale"])
    middle = at(stage, 400, 250)
    element.send_keys("\ue014")  # right: what lies to the right comes
    assert at(stage, 400, 250)[0] == pytest.approx(middle[0] + 0.15 * 500 / view(stage)["scale"])
    element.send_keys("\ue015\ue012\ue013")  # down, left, up
    assert np.allclose(at(stage, 400, 250), middle)
    element.send_keys("-0")
    assert view(stage) == pytest.approx(home)


def test_a_glide_is_seen_only_where_motion_is_welcome(stage: Any) -> None:
    stage.execute_script("seen.length = 0; viewer.zoomTo(3)")
    wait(stage, "return seen.length > 0")
    assert set(stage.execute_script("return seen.map((v) => v.scale)")) == {3}
    welcome = {"features": [{"name": "prefers-reduced-motion", "value": "no-preference"}]}
    stage.execute_cdp_cmd("Emulation.setEmulatedMedia", welcome)
    try:
        stage.execute_script("seen.length = 0; settled = 0; viewer.zoomTo(1)")
        wait(stage, "return settled > 0")
    finally:
        stage.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    scales = stage.execute_script("return seen.map((v) => v.scale)")
    assert len(set(scales)) > 3
    assert scales == sorted(scales, reverse=True)
    assert scales[-1] == 1


def test_a_new_size_keeps_the_middle_or_the_whole(stage: Any) -> None:
    resize = "viewer.element.style.width = arguments[0]; return new Promise((done) => setTimeout(done, 80))"
    stage.execute_script("viewer.fit()")
    stage.execute_script(resize, "300px")
    assert view(stage)["scale"] == pytest.approx(300 / WIDTH)
    stage.execute_script("viewer.fit([700, 500, 40, 30])")
    middle, scale = at(stage, 150, 250), view(stage)["scale"]
    stage.execute_script(resize, "620px")
    assert np.allclose(at(stage, 310, 250), middle)
    assert view(stage)["scale"] == scale
    stage.execute_script(resize, "0")  # hidden, as in a folded part of a page: nothing is lost
    stage.execute_script(resize, "620px")
    assert np.allclose(at(stage, 310, 250), middle)
    assert complaints(stage) == []


# ------------------------------------------------------------------ several pictures, turned views, rulers


def test_motions_compose_and_are_undone(stage: Any) -> None:
    rng = np.random.default_rng(7)
    some, others = rng.normal(size=(2, 20, 6))
    points = rng.normal(size=(20, 2)) * 900
    script = """const [some, others, points] = arguments;
      return some.map((m, i) => { const there = moved(m, points[i]);
        return [...after(m, others[i]), ...there, ...moved(undone(m), there)]; })"""
    found = np.array(stage.execute_script(script, some.tolist(), others.tolist(), points.tolist()))

    def matrix(m: np.ndarray) -> np.ndarray:
        return np.array([[m[0], m[2], m[4]], [m[1], m[3], m[5]], [0, 0, 1]])

    for row, one, other, point in zip(found, some, others, points, strict=True):
        assert np.allclose(matrix(row[:6]), matrix(one) @ matrix(other))
        assert np.allclose(row[6:8], (matrix(one) @ [*point, 1])[:2])
        assert np.allclose(row[8:], point, atol=1e-6)


def test_quarter_turns_keep_pixels_on_pixels(stage: Any) -> None:
    """Turned by one quarter the lower left pixel becomes the upper left one, as `numpy.rot90` has it."""
    pixels = np.arange(12).reshape(3, 4)
    script = "return moved(quarterTurn(arguments[0], { width: 4, height: 3 }), arguments[1])"
    for quarters in (-1, 0, 1, 2, 3, 5):
        turned = np.rot90(pixels, -quarters)
        for row, col in np.ndindex(3, 4):
            x, y = stage.execute_script(script, quarters, [col, row])
            assert turned[y, x] == pixels[row, col]


def test_tiles_of_a_frame(stage: Any) -> None:
    script = "return tilesWithin(arguments[0], { width: 1900, height: 1300, tile: 512 }, arguments[1])"
    assert stage.execute_script(script, [500, 10, 520, 20], 0) == [[0, 0, 0], [0, 0, 1]]
    assert stage.execute_script(script, [-900, -900, -10, -10], 0) == []
    assert stage.execute_script(script, [0, 0, 1e6, 1e6], 1) == [[1, 0, 0], [1, 0, 1], [1, 1, 0], [1, 1, 1]]


def test_rulers_are_marked_by_round_millimeters(stage: Any) -> None:
    found = stage.execute_script("return [0.05, 1, 8, 71, 700].map(rulerStep)")
    assert np.allclose(found, [2000, 100, 10, 1, 0.1])


LAYERS = """
  const one = { ...source, url: (...place) => `/${place.join("-")}.png` };
  viewer.open({ width: 3300, height: 1900, layers: [
    { ...one, matrix: [1, 0, 0, 1, 0, 0] },
    { ...one, matrix: [0, 1, -1, 0, 1999 + 1299, 0] } ] });  // turned by a quarter, its left edge at column 1999
"""


def test_pieces_lie_where_their_motions_put_them(stage: Any) -> None:
    stage.execute_script(LAYERS)
    stage.execute_script("viewer.fit([1880, 500, 160, 100]); viewer.zoomTo(4)")
    settle(stage)
    seen, where = drawn(stage), view(stage)
    xs = (np.arange(800) + 0.5 - where["left"]) / where["scale"] - 0.5
    ys = (np.arange(500) + 0.5 - where["top"]) / where["scale"] - 0.5
    x, y = np.rint(xs), np.rint(ys)
    sure = np.ix_(np.abs(ys - y) < 0.25, np.abs(xs - x) < 0.25)
    wanted = np.zeros((500, 800, 3), int)
    wanted[:, x < 1900] = coded(y[:, None], x[None, :])[:, x < 1900]
    right = x >= 1999
    wanted[:, right] = coded(3298 - x[None, :], y[:, None])[:, right]
    assert np.abs(seen[sure][..., :3] - wanted[sure]).max() <= 2
    between = (x > 1901) & (x < 1997)
    assert (seen[:, between, 3] == 0).all() and between.any() and right.any()


def test_a_turned_view_shows_the_same_picture_turned(stage: Any) -> None:
    stage.execute_script("viewer.fit([490, 500, 50, 30]); viewer.zoomTo(6)")
    settle(stage)
    before, middle = drawn(stage), at(stage, 400, 250)
    stage.execute_script("viewer.turnBy(1)")
    settle(stage)
    assert np.allclose(at(stage, 400, 250), middle, atol=1e-6)
    after = drawn(stage)
    # the square round the middle, turned clockwise; a dot of rounding aside
    a, b = np.rot90(before[100:400, 250:550], -1).astype(int), after[100:400, 250:550].astype(int)
    best = min(
        np.mean(np.any(np.roll(b, (dy, dx), (0, 1))[8:-8, 8:-8] != a[8:-8, 8:-8], axis=2))
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
    )
    assert best < 0.02
    stage.execute_script("viewer.turnBy(3)")
    settle(stage)
    assert np.mean(np.any(drawn(stage) != before, axis=2)) < 0.02
    stage.execute_script("viewer.turnBy(1); viewer.fit()")
    settle(stage)
    assert at(stage, 400, 250) == pytest.approx([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])


def test_hidden_layers_and_differences(stage: Any) -> None:
    stage.execute_script(
        LAYERS
        + "Object.assign(viewer.source.layers[1], { matrix: [1, 0, 0, 1, 0, 0], mix: 'difference' }); viewer.renew()"
    )
    stage.execute_script("viewer.fit([400, 400, 160, 100]); viewer.zoomTo(2)")
    settle(stage)
    assert drawn(stage)[..., :3].max() <= 1  # a picture is no different from itself
    stage.execute_script("viewer.source.layers[1].hidden = true; viewer.renew()")
    settle(stage)
    assert drawn(stage)[..., :3].max() > 100


def test_rulers_lie_along_two_sides(served: Any) -> None:
    page = opened(served, rulers=True)
    page.execute_script("viewer.open({ ...source, dpi: 254 }); viewer.fit()")
    settle(page)
    seen = drawn(page)
    assert (seen[:20, :, 3] > 200).all() and (seen[:, :20, 3] > 200).all()
    assert view(page)["left"] >= 20 and view(page)["top"] >= 20  # nothing of the picture is covered when all is shown
    page.execute_script("viewer.open(source)")  # no dpi, no millimeters
    settle(page)
    assert (drawn(page)[:5, :5, 3] == 0).all()
