"""I check that whoever scans by a plan is led through it, wherever the first piece lies, whichever way pieces lie."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stitchbed.planning.captures import Capture, CapturePlan, best_layout
from stitchbed.planning.next_capture import Laid, coverage_of, words_of

ART, BED = (594.0, 420.0), (216.0, 297.0)


def _plan(closed: tuple[str, ...] = ()) -> CapturePlan:
    return best_layout(ART, BED, overlap_mm=43, closed=closed)


def _laid(captures: list[Capture], off: float, seed: int) -> list[Laid]:
    """Pieces as a check lays them: in the frame of the first one's picture, a little beside where they should be."""
    rng = np.random.default_rng(seed)
    first = captures[0]
    angle = math.radians(first.turn_deg)
    spin = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    found = []
    for one in captures:
        x, y = np.array([one.x_mm, one.y_mm]) + rng.uniform(-off, off, 2)
        corners = np.array(
            [(x, y), (x + one.width_mm, y), (x + one.width_mm, y + one.height_mm), (x, y + one.height_mm)]
        )
        start = round((one.turn_deg % 360) / 90)  # the picture's own top left goes clockwise with its turn
        found.append(Laid(str(one.number), np.roll(corners, start, axis=0) @ spin.T, first.turn_deg - one.turn_deg))
    return found


@pytest.mark.parametrize("closed", [(), ("top",)])
@pytest.mark.parametrize("seed", range(4))
def test_one_is_led_through_the_plan(closed: tuple[str, ...], seed: int) -> None:
    plan = _plan(closed)
    assert len({one.turn_deg for one in plan.captures}) >= (2 if closed else 1)
    shares = []
    for count in range(1, len(plan.captures)):
        laid = _laid(list(plan.captures[:count]), 5, seed)
        found = coverage_of(laid, plan, ART)
        coming, last = plan.captures[count], plan.captures[count - 1]
        assert found.next == coming
        right, down = ((coming.width_mm - last.width_mm) / 2, (coming.height_mm - last.height_mm) / 2)
        assert found.right_mm == pytest.approx(coming.x_mm - last.x_mm + right, abs=12)
        assert found.down_mm == pytest.approx(coming.y_mm - last.y_mm + down, abs=12)
        assert found.turn_deg == (coming.turn_deg - last.turn_deg) % 360
        shares.append(found.covered)
    assert shares == sorted(shares) and 0.15 < shares[0] < 0.4
    whole = coverage_of(_laid(list(plan.captures), 5, seed), plan, ART)
    assert whole.next is None and whole.covered > 0.98 and "no capture of the plan is missing" in words_of(whole)


def test_a_piece_left_out_is_asked_for() -> None:
    plan = _plan()
    rest = [one for one in plan.captures if one.number != 2]
    assert coverage_of(_laid(rest, 5, 1), plan, ART).next == plan.captures[1]


def test_another_beginning_is_noticed_when_it_cannot_be_the_first() -> None:
    """Scanned from the last to the first: as soon as a step shows it, the corner is the other one."""
    plan = _plan()
    backward = list(reversed(plan.captures))
    found = coverage_of(_laid(backward[:3], 3, 2), plan, ART)
    seen = {round(float(one.corners[:, 0].mean())) for one in found.pieces}
    assert max(seen) <= ART[0] and min(seen) >= 0
    assert found.next is not None


def test_words_say_where_and_which_way_up() -> None:
    plan = _plan(("top",))
    turned = next(n for n, one in enumerate(plan.captures) if one.turn_deg == 180)
    told = words_of(coverage_of(_laid(list(plan.captures[:turned]), 0, 0), plan, ART))
    assert "the other way up" in told and "mm farther" in told
    told = words_of(coverage_of(_laid(list(plan.captures[:1]), 0, 0), plan, ART))
    assert "to the right" in told and "the same way up" in told
