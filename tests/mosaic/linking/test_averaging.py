"""I check that pieces move to where their links agree best, that lies pull little, and that sizes are held."""

from __future__ import annotations

import numpy as np
import pytest
import tolerances as tol

from stitchbed.imaging.transforms import moved, scale_of, similarity_matrix
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.linking.averaging import Trusted, averaged

ROUND = 12  # pieces of a ring
MOST = 1.5


def _turn(rad: float, x: float, y: float, scale: float = 1.0) -> np.ndarray:
    return similarity_matrix(np.array([scale * np.cos(rad), scale * np.sin(rad), x, y]))


def _ring() -> list[np.ndarray]:
    """sheet_from_tile of pieces round a circle of 800 px."""
    angles = np.arange(ROUND) * 2 * np.pi / ROUND
    return [_turn(0.02 * np.sin(3 * a), 800 * np.cos(a), 800 * np.sin(a)) for a in angles]


def _link(places: list[np.ndarray], a: int, b: int, wrong: np.ndarray | None = None) -> Link:
    """A link of two pieces, its motion followed by `wrong` in the second."""
    motion = np.linalg.inv(places[b]) @ places[a]
    motion = motion if wrong is None else wrong @ motion
    xy = np.array([[50.0, 20], [350, 20], [350, 250], [50, 250]])
    return Link(f"t{a}", f"t{b}", motion, xy, moved(motion, xy), 0.3, 0.9, 0.0)


def _chained(links: list[Link]) -> dict[str, np.ndarray]:
    """Places along links, one after the other."""
    at = {links[0].a: np.eye(3)}
    for item in links:
        at[item.b] = at[item.a] @ np.linalg.inv(item.b_from_a)
    return at


def _missed(item: Link, at: dict[str, np.ndarray]) -> float:
    off = moved(at[item.a], item.xy_a) - moved(at[item.b], item.xy_b)
    return float(np.hypot(*off.T).max())


def test_a_ring_closes() -> None:
    """Each link is off by a third of a pixel; the last of a chain of twelve misses by far more, and by no more then."""
    places, rng = _ring(), np.random.default_rng(3)
    wrong = [_turn(rng.normal(0, 5e-4), *rng.normal(0.3, 0.2, 2)) for _ in range(ROUND)]
    links = [_link(places, k, (k + 1) % ROUND, wrong[k]) for k in range(ROUND)]
    chain = _chained(links[:-1])
    assert _missed(links[-1], chain) > 3 * MOST
    found = averaged(chain, [Trusted(item, 1.0, MOST) for item in links])
    assert max(_missed(item, found) for item in links) < MOST


def test_true_links_are_met_beside_a_lie() -> None:
    places = _ring()
    links = [_link(places, k, (k + 1) % ROUND) for k in range(ROUND)]
    lie = _link(places, 0, 5, _turn(0.1, 60.0, -40.0))
    started = {f"t{k}": place @ _turn(0, *np.full(2, 0.2 * k)) for k, place in enumerate(places)}
    found = averaged(started, [Trusted(item, 1.0, MOST) for item in [*links, lie]])
    assert max(_missed(item, found) for item in links) < 0.1 * MOST
    assert _missed(lie, found) > 50


def test_nothing_moves_where_all_agree() -> None:
    places = _ring()
    started = {f"t{k}": np.linalg.inv(places[0]) @ place for k, place in enumerate(places)}
    found = averaged(started, [Trusted(_link(places, k, (k + 1) % ROUND), 1.0, MOST) for k in range(ROUND)])
    assert max(float(np.abs(found[name] - place).max()) for name, place in started.items()) < tol.ARITHMETIC_PX


@pytest.mark.parametrize("held", [False, True])
def test_a_size_two_links_say_is_outvoted_or_held(held: bool) -> None:
    """Two of twelve links say that all between them are larger by 1 %."""
    places = _ring()
    wrong = {2: _turn(0, 0, 0, 1.01), 7: _turn(0, 0, 0, 1 / 1.01)}
    links = [_link(places, k, (k + 1) % ROUND, wrong.get(k)) for k in range(ROUND)]
    sizes = {f"t{k}": 1.0 for k in range(ROUND)} if held else None
    found = averaged(_chained(links[:-1]), [Trusted(item, 1.0, MOST) for item in links], sizes)
    told = np.array([scale_of(found[f"t{k}"]) for k in range(ROUND)])
    if held:
        assert np.abs(told - 1).max() < 1e-6
        assert max(_missed(item, found) for item in links) < 3 * MOST  # 1 % of half a piece
    else:
        inner = [k for k in range(ROUND) if 3 <= k <= 7]
        assert np.abs(told[inner] / told[0] * 1.01 - 1).max() < 4e-3
