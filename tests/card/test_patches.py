"""I check that charts are laid into a picture by names, by millimeters, and by finding the chart of 24 patches."""

from __future__ import annotations

import numpy as np
import pytest
from synthetic_charts import chart_picture, shown

from stitchbed.card.cgats import References
from stitchbed.card.chart24 import EDITIONS, find_chart24, numbered, references24
from stitchbed.card.patches import chart_places, in_picture, joined, read_patches
from stitchbed.color.cielab import de00
from stitchbed.core.errors import BadSettings
from stitchbed.imaging.transfer import transfer_of

ANY = np.array([50.0, 0, 0])


def test_a_grid_by_names_row_letter_and_column_number() -> None:
    names = [f"{row}{column}" for row in "ABCDEFGHIJKL" for column in range(1, 23)]  # ISO 12641: 12 x 22 and 24 grays
    grays = [f"GS{i}" for i in range(24)]
    places = chart_places(References(dict.fromkeys([*names, *grays], ANY)))
    assert len(places) == 264
    assert places["A1"][0] == pytest.approx([0, 0]) and places["L22"][2] == pytest.approx([1, 1])
    assert places["B3"].mean(0) == pytest.approx([2.5 / 22, 1.5 / 12])


def test_places_in_millimeters_win() -> None:
    boxes = {"A1": np.array([10.0, 20, 5, 5]), "A2": np.array([30.0, 40, 10, 20])}
    places = chart_places(References(dict.fromkeys(boxes, ANY), boxes))
    assert places["A1"][0] == pytest.approx([0, 0]) and places["A2"][2] == pytest.approx([1, 1])
    assert places["A1"][2] == pytest.approx([5 / 30, 5 / 40])


def test_names_without_a_grid_are_refused() -> None:
    with pytest.raises(BadSettings, match="where its patches lie"):
        chart_places(References(dict.fromkeys(["white", "gray", "black"], ANY), {}, "my chart"))
    with pytest.raises(BadSettings, match="where its patches lie"):
        chart_places(References(dict.fromkeys(["A1", "A2", "B1"], ANY)))


def test_corners_carry_the_field_into_the_picture() -> None:
    corners = np.array([[100.0, 50], [500, 80], [480, 400], [90, 380]])
    unit = {"all": np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]]), "middle": np.full((4, 2), 0.5)}
    moved = in_picture(unit, corners)
    assert moved["all"] == pytest.approx(corners, abs=1e-3)  # getPerspectiveTransform works in float32
    a, b, c, d = corners
    lines = np.array([c - a, -(d - b)]).T
    crossing = a + np.linalg.solve(lines, b - a)[0] * (c - a)  # diagonals stay straight under perspective
    assert moved["middle"][0] == pytest.approx(crossing, abs=1e-2)


@pytest.mark.parametrize("turn", range(4))
def test_the_chart_of_24_is_found_and_read_however_it_lies(turn: int) -> None:
    seen = shown("D65")
    picture = np.ascontiguousarray(np.rot90(chart_picture(seen.light, np.random.default_rng(4)), turn))
    places = find_chart24((picture >> 8).astype(np.uint8))
    assert places is not None
    reading = read_patches(places, lambda box: picture[box.slices], picture.shape[:2], transfer_of(None))
    assert reading.names == tuple(str(n) for n in range(1, 25)) and reading.good.all()
    assert (
        np.abs(reading.light / seen.light - 1).max() < 0.02
    )  # noise .004 over some hundred pixels, dark patches worst


def test_other_grids_are_not_taken_for_it() -> None:
    rng = np.random.default_rng(5)
    for _ in range(3):
        picture = chart_picture(rng.uniform(0.02, 0.9, (24, 3)), rng)
        assert find_chart24((picture >> 8).astype(np.uint8)) is None
    assert find_chart24(np.full((300, 400, 3), 128, np.uint8)) is None


def test_narrow_pictures_are_looked_at_without_being_blown_up() -> None:
    """A picture of 2 x 300 px once took 5 GiB."""
    assert find_chart24(np.full((2, 300, 3), 90, np.uint8)) is None
    rng = np.random.default_rng(8)
    picture = (chart_picture(shown("D65").light, rng) >> 8).astype(np.uint8)
    strip = np.full((picture.shape[0], 4000, 3), 128, np.uint8)
    strip[:, 3000 : 3000 + picture.shape[1]] = picture
    places = find_chart24(strip)
    assert places is not None and places["1"][:, 0].min() > 3000


def test_both_editions() -> None:
    """Published differences of the editions: mean dE2000 .85, largest 1.95 (white)."""
    before, after = (references24(edition).lab for edition in EDITIONS)
    difference = np.array([float(de00(before[name], after[name])) for name in before])
    assert difference.mean() == pytest.approx(0.85, abs=0.01) and difference.max() == pytest.approx(1.95, abs=0.01)
    assert list(before["16"]) == [81.733, 4.039, 79.819] and list(after["19"]) == [95.19, -1.03, 2.93]


def test_24_patches_by_other_names() -> None:
    plain = {str(n): np.array([float(n), 0, 0]) for n in range(1, 25)}
    by_row = {f"{r}{c}": plain[str(6 * i + c)] for i, r in enumerate("ABCD") for c in range(1, 7)}
    by_column = {f"{c}{r}": plain[str(6 * (r - 1) + i + 1)] for i, c in enumerate("ABCDEF") for r in range(1, 5)}
    for names in (plain, by_row, by_column):
        found = numbered(names)
        assert found is not None and [found[str(n)][0] for n in range(1, 25)] == list(range(1, 25))
    assert numbered({"A1": ANY}) is None


def test_clipped_and_uneven_patches_are_told() -> None:
    rng = np.random.default_rng(6)
    picture = np.full((40, 200, 3), 30000, np.uint16) + rng.integers(-300, 300, (40, 200, 3)).astype(np.uint16)
    picture[:, 40:80] = 65535
    picture[:20, 80:120] = 9000
    picture[:, 120:160] = 0
    corners = {
        name: np.array([[x, 2], [x + 36, 2], [x + 36, 38], [x, 38]], float)
        for name, x in (("fair", 2), ("burnt", 42), ("mixed", 82), ("black", 122), ("outside", 180))
    }
    reading = read_patches(corners, lambda box: picture[box.slices], picture.shape[:2], transfer_of(None))
    assert reading.names == ("fair", "burnt", "mixed", "black")  # the last one leaves the picture
    assert list(reading.good) == [True, False, False, False]
    assert reading.clipped[1] == 1.0 and reading.clipped[3] == 1.0 and reading.clipped[0] == 0.0
    assert joined([reading, reading]).light.shape == (8, 3)
