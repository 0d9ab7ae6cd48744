"""I judge where the picture jumps in mid-scan, by what pairs of scans show of each other.

In: how pairs of pieces lie on each other. Out: findings, each given to one piece, or to one of two.
"""

from __future__ import annotations

import math

import numpy as np

from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.inspection.checks.head import HEAD_MM, head_way
from stitchbed.inspection.findings import Finding, Pairs, believed_dpi
from stitchbed.inspection.patches import LEAST_BESIDE, PATCH, WAVE_WAY, Course

# Like HEAD_MM, of what two scans show of one place at rows far from each other, where no third scan tells: two sigma of
# two readings, each .17 mm rms off.
STEP_MM = 0.5
HEAD_SLOPE = 0.1  # mm a mm: waves of .06 mm every 4 mm are as steep
SAME_ROW = 0.03  # of a scan's length
SAME_ROWS = 0.06  # the same, between the two rows of one place
LIKE_OWN = 0.4  # of the step that one pair shows, what another shows of it
NEAR_ROW = 1.5 * PATCH  # view px: no jump is placed better than by the patches beside it
STEP_OF = 6  # patches on each side of a row
MOST_PAIRS = 0.6  # of a piece's pairs, of those that reach a row for a jump, that have to agree
STILL = "let nothing touch the scanner while it runs, and scan again"


def jumped(evidence: Pairs) -> list[tuple[int, Finding]]:
    """A jump belongs to the piece in which it lies at one row beside most neighbors that reach that row."""
    claims = _jump_claims(evidence)
    found = []
    for index, (share, count, row, height) in claims.items():
        rivals = [claims[other][:2] for other in _jump_partners(evidence, index) if other in claims]
        if share > MOST_PAIRS and all((share, count) > rival for rival in rivals):
            px = abs(round(height))
            why = f"the picture jumps by {px} px at row {row:.0f}: the head or the sheet slipped in mid-scan"
            found.append((index, Finding("jump", "redo", why, STILL, {"row": round(row), "px": px})))
    return found


def jumps_of_either(evidence: Pairs) -> list[Finding]:
    """Of pairs that alone reach a row at which one of the two jumps: nothing tells which of them."""
    found = []
    for pair, (row, other, height) in jumping_pairs(evidence).items():
        names = " or ".join(evidence.tiles[index].name for index in pair)
        px = abs(round(height))
        where = f"row {row:.0f} of the first or row {other:.0f} of the second"
        why = f"one of the two jumps by {px} px, at {where}, and no third piece shows in which"
        found.append(Finding("jump", "redo", f"{names}: {why}", STILL, {"px": px}))
    return found


def jumping_pairs(evidence: Pairs) -> dict[tuple[int, int], tuple[float, float, float]]:
    """Pieces one of which jumps, and nothing tells which of them -> row in the first, row in the second, px."""
    claims = _jump_claims(evidence)
    found = {}
    for course in evidence.courses:
        own, other = claims.get(course.a), claims.get(course.b)
        if not (course.jumps and own and other and own[:2] == other[:2] == (1.0, 1)):
            continue
        if not _the_heads(evidence, course, (own[2], other[2]), own[3], STEP_MM):
            found[course.a, course.b] = own[2], other[2], own[3]
    return found


def _jump_claims(evidence: Pairs) -> dict[int, tuple[float, int, float, float]]:
    """Piece -> (share and number of its pairs that agree, row, px) of the jump that most of them show in it."""
    claims: dict[int, tuple[float, int, float, float]] = {}
    for course in evidence.courses:
        for row_a, row_b, height in course.jumps:
            if _the_heads(evidence, course, (row_a, row_b), height):
                continue
            for index, row in ((course.a, row_a), (course.b, row_b)):
                if _shown_by_others(evidence, course, (row_a, row_b), index):
                    continue
                share, count = _agreeing(evidence, index, row, height)
                best = claims.get(index)
                if best is None or (share, count) > best[:2]:
                    claims[index] = (share, count, row, height)
    return claims


def _the_heads(evidence: Pairs, course: Course, at: tuple[float, float], height: float, most: float = HEAD_MM) -> bool:
    """True of a step (px) that the head may make, of no more than `most` mm, between the rows at which two scans show
    one place; where one scan lies turned by half beside the other, these lie anywhere. at : the rows of both."""
    px_per_mm = believed_dpi(evidence.tiles)[course.a] / MM_PER_INCH
    beside = abs(at[0] - at[1]) / px_per_mm if head_way(course, evidence.looks) == 0 else math.inf
    return abs(height) / px_per_mm < min(most, HEAD_SLOPE * beside)


def _shown_by_others(evidence: Pairs, course: Course, at: tuple[float, float], index: int) -> bool:
    """True of a step between rows far from each other which most pairs without a piece show between the same two rows:
    the head goes that way in every scan. at : the rows of the pair that shows it."""
    way, look = head_way(course, evidence.looks), evidence.looks[course.a]
    beside, apart = PATCH / 2 * look.reduction, at[1] - at[0]
    own = _step(course, 0, at[0], beside)
    if way == 0 or own == 0:
        return False
    others = [
        one
        for one in evidence.courses
        if index not in (one.a, one.b) and head_way(one, evidence.looks) == way
        if _followed(one, 0, at[0], look.reduction)
        if abs(float(np.median(one.slips[:, 1] - one.slips[:, 0])) - apart) < SAME_ROWS * look.shape[0]
    ]
    alike = [_step(one, 0, at[0], beside) / own > LIKE_OWN for one in others]
    return len(alike) > 0 and sum(alike) >= MOST_PAIRS * len(alike)


def _agreeing(evidence: Pairs, index: int, row: float, height: float) -> tuple[float, int]:
    """(share, count) of a piece's pairs that reach over a row and show a jump there, of about such a height (px)."""
    look = evidence.looks[index]
    near = max(SAME_ROW * look.shape[0], NEAR_ROW * look.reduction)
    reach = agree = 0
    for course in evidence.courses:
        if index in (course.a, course.b):
            end = (course.a, course.b).index(index)
            first, last = course.spans[end]
            told = any(abs(jump[end] - row) < near for jump in course.jumps)
            if first + near < row < last - near and (told or _followed(course, end, row, look.reduction)):
                reach += 1
                agree += told or abs(_step(course, end, row, PATCH / 2 * look.reduction)) > abs(height) / 2
    return agree / max(1, reach), agree


def _followed(course: Course, end: int, row: float, reduction: float) -> bool:
    """True where a pair was followed on both sides of a row, near enough to tell a jump there from a wave."""
    away = (course.slips[:, end] - row) / reduction
    return all(int(((side * away > 0) & (np.abs(away) < WAVE_WAY)).sum()) >= LEAST_BESIDE for side in (-1, 1))


def _step(course: Course, end: int, row: float, beside: float) -> float:
    """Px from what the patches next to a row show before it to what they show after it, in the piece at an `end` of a
    pair. beside : px from the row at which a patch lies on one side of it."""
    away, slips = course.slips[:, end] - row, course.slips[:, 2]
    sides = []
    for side in (-1, 1):
        there = np.flatnonzero(side * away > beside)
        sides.append(slips[there[np.argsort(np.abs(away[there]), kind="stable")][:STEP_OF]])
    return float(np.median(sides[1]) - np.median(sides[0])) if all(map(len, sides)) else 0.0


def _jump_partners(evidence: Pairs, index: int) -> set[int]:
    pairs = [(course.a, course.b) for course in evidence.courses if course.jumps and index in (course.a, course.b)]
    return {other for pair in pairs for other in pair} - {index}
