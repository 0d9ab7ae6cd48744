"""I check where pieces are laid for the viewer, against the motions they came with and numpy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitchbed.desk.look.layout import GAP, corners_of, laid_out


def row(name: str, motion: np.ndarray, island: int = 0, size: tuple[int, int] = (400, 300)) -> dict[str, Any]:
    """A placed piece of (width, height) px."""
    return {"name": name, "sheet_from_tile": motion.tolist(), "island": island, "width": size[0], "height": size[1],
            "dpi": 300}  # fmt: skip


def motion(turn: float, x: float, y: float) -> np.ndarray:
    """A turn about the top left corner, and a shift."""
    c, s = np.cos(turn), np.sin(turn)
    return np.array([[c, -s, x], [s, c, y], [0, 0, 1]])


def shown(layer: dict[str, Any]) -> np.ndarray:
    """(4, 2) corners of a layer in the picture."""
    a, b, c, d, e, f = layer["matrix"]
    w, h = layer["width"] - 1, layer["height"] - 1
    return np.array([[a * x + c * y + e, b * x + d * y + f] for x, y in ((0, 0), (w, 0), (w, h), (0, h))])


@settings(deadline=None)  # the first example waits for numpy
@given(turn=st.floats(-3, 3), x=st.floats(-500, 500), y=st.floats(-500, 500))
def test_corners_are_those_of_the_motion(turn: float, x: float, y: float) -> None:
    m = motion(turn, x, y)
    want = np.array([[0, 0, 1], [399, 0, 1], [399, 299, 1], [0, 299, 1]]) @ m.T
    assert np.allclose(corners_of(row("a", m)), want[:, :2])


@settings(deadline=None)
@given(turn=st.floats(-0.5, 0.5), x=st.floats(-900, 900))
def test_pieces_keep_their_places_to_each_other_and_begin_at_the_corner(turn: float, x: float) -> None:
    motions = [motion(turn, x, 40), motion(turn + 0.02, x + 300, 70)]
    told = laid_out([row(name, m) for name, m in zip("ab", motions, strict=True)])
    corners = np.concatenate([shown(layer) for layer in told["layers"]])
    assert np.allclose(corners.min(0), 0, atol=1e-6)
    assert (told["width"], told["height"]) == tuple(np.rint(corners.max(0)))
    assert told["dpi"] == 300
    inverse = [np.linalg.inv(np.array([*np.reshape(one["matrix"], (3, 2)).T, [0, 0, 1]])) for one in told["layers"]]
    assert np.allclose(inverse[1] @ np.linalg.inv(inverse[0]), np.linalg.inv(motions[1]) @ motions[0], atol=1e-6)


@pytest.mark.parametrize("quarter", range(4))
def test_the_sheet_is_turned_so_that_most_pieces_stand(quarter: int) -> None:
    turn = quarter * np.pi / 2
    rows = [row("a", motion(turn, 0, 0)), row("b", motion(turn + 0.01, 350, 5)), row("c", motion(turn + np.pi, 0, 600))]
    layers = laid_out(rows)["layers"]
    assert layers[0]["matrix"][:4] == pytest.approx([1, 0, 0, 1], abs=1e-6)
    lying = laid_out(rows, upright=False)["layers"]
    assert lying[0]["matrix"][:2] == pytest.approx([np.cos(turn), np.sin(turn)], abs=1e-6)


def test_islands_lie_beside_each_other() -> None:
    told = laid_out([row("a", motion(0, 50, 60)), row("b", motion(0, -9, 5), 1), row("c", motion(0, 0, 0), 2)])
    lefts = [shown(layer)[:, 0].min() for layer in told["layers"]]
    assert lefts == pytest.approx([0, 399 * (1 + GAP), 2 * 399 * (1 + GAP)])
    assert told["width"] == round(399 * (3 + 2 * GAP)) and told["height"] == 299
