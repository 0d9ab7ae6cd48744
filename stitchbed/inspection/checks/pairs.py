"""I judge what pairs of scans show of each other: stretch, stripes, dust, smears, shaking, each given to one piece.

In: evidence. Out: findings per piece. A pair alone does not tell whose fault it is; most of a piece's pairs do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.inspection.checks.head import doubts, sizes
from stitchbed.inspection.checks.jumps import MOST_PAIRS, STILL, jumped, jumping_pairs, jumps_of_either
from stitchbed.inspection.checks.light import suspects
from stitchbed.inspection.differences import MINE, Sight, Stripes, lone_stripes, strength
from stitchbed.inspection.findings import Finding, Pairs, believed_dpi
from stitchbed.inspection.fineness import SMEAR_CELLS
from stitchbed.inspection.patches import Course
from stitchbed.inspection.specks import LEAST_DUST

STRETCHED = 0.004  # of a length: paper between two scans stays below .0015
TELLS_NONE = 0.02  # of a size: doubt that hides any stretch, as over the short way that one piece shares with one below
WAYS = ((1, "along the travel of the head"), (0, "across the travel of the head"))
LYING = "let the sheet lie still, press it so that it does not slip, and scan again"
SHAKEN = 0.4  # of what is drawn in an overlap; good scans stay below .2
# Of what differs: pairs of good scans and of scans with other faults stay below .16, those that shook by 1.2 to 2 px
# reach .21 to .93.
JAGGED = 0.18
DUST_PER_CM2 = 0.5  # specks shown alone; a cleaned glass leaves a tenth of it (common practice, no source)
LEAST_COMMON = 3  # pairs that show one band before what they have in common tells whose it is
DUST_DOUBT = 1.5  # standard errors of their number, which goes by its root: a few may come together by chance
DUST_SHARE, DUST_OVER = 0.25, 3.0  # of all its specks; times what the neighbors show alone


def pair_findings(
    evidence: Pairs, unlike: Collection[int] = (), blurred: Collection[int] = ()
) -> list[tuple[int, Finding]]:
    """(tile, finding). unlike : tiles that show other tones than most do, beside which a good one may look soft.
    blurred : what such a tile leaves of fine drawing differs from place to place."""
    stripes = striped(evidence)
    smears = _smeared(evidence, {*unlike, *blurred, *(index for index, _ in stripes)})
    shaken = _shaken(evidence, unlike)
    return [*_stretched(evidence), *jumped(evidence), *stripes, *dusty(evidence), *shaken, *smears]


def misfitting(evidence: Pairs) -> frozenset[int]:
    """Pieces that are stretched or jump, or may: what lies on them is seen beside its place."""
    either = {index for pair in jumping_pairs(evidence) for index in pair}
    return frozenset(index for part in (_stretched, jumped) for index, _ in part(evidence)) | either


def uneven(evidence: Pairs, index: int) -> Finding:
    """What is said of a piece whose light differs from place to place from what all its neighbors show."""
    spread = float(np.median([c.discord for c in evidence.comparisons if index in (c.a, c.b) and c.discord > 0]))
    why = (
        f"its light differs by {100 * spread:.0f} % from place to place from what its neighbors show of the same paper"
    )
    change = "let the lamp warm up, switch automatic settings off, keep the lid closed, and scan again"
    return Finding("uneven light", "redo", why, change, {"spread": round(spread, 3)})


def _stretched(evidence: Pairs) -> list[tuple[int, Finding]]:
    found = []
    for axis, way in WAYS:
        for index, size in _stretches(evidence, axis):
            percent = 100 * size
            why = f"{abs(percent):.1f} % too {'long' if percent > 0 else 'short'} {way}, beside its neighbors"
            found.append((index, Finding("stretched", "redo", why, LYING, {"percent": round(percent, 2)})))
    return sorted(found, key=lambda one: one[0])


def _stretches(evidence: Pairs, axis: int) -> list[tuple[int, float]]:
    """(tile, size over the others) along an axis, the worst first, each judged without those before it: what a
    stretched piece's neighbors show beside it is none of theirs.
    """
    courses = evidence.courses
    found: list[tuple[int, float]] = []
    while True:
        both = [sizes(len(evidence.tiles), courses, _doubts(evidence, courses, k), k) for k in (0, 1)]
        uneven_way = np.abs(both[1] - both[0]) > STRETCHED / 2  # the same both ways is another scale
        lone = _lone_courses(evidence, courses, axis)
        telling = [one for one in _telling(evidence, courses, axis) if not any(one is other for other in lone)]
        shown = {index for course in telling for index in (course.a, course.b)}
        named = shown & set(np.flatnonzero((np.abs(both[axis]) > STRETCHED) & uneven_way).tolist())
        if not named:
            return found
        worst = max(sorted(named), key=lambda index: abs(float(both[axis][index])))
        found.append((worst, float(both[axis][worst])))
        courses = tuple(course for course in courses if worst not in (course.a, course.b))


def _telling(evidence: Pairs, courses: Sequence[Course], axis: int) -> list[Course]:
    """Those that differ by more than two good scans do over the way that they show."""
    least = STRETCHED + _doubts(evidence, courses, axis)
    return [one for one, bound in zip(courses, least, strict=True) if abs(float(one.stretch[axis])) > bound]


def _doubts(evidence: Pairs, courses: Sequence[Course], axis: int) -> Array:
    return doubts(courses, evidence.looks, believed_dpi(evidence.tiles), axis)


def _lone_courses(evidence: Pairs, courses: Sequence[Course], axis: int) -> list[Course]:
    """Of pairs neither of which any other piece tells the size of along an axis; one over so short a way that any
    stretch may be the head's tells none."""
    unsure = _doubts(evidence, courses, axis)
    known = [one for one, doubt in zip(courses, unsure) if np.isfinite(one.stretch[axis]) and doubt < TELLS_NONE]
    times = Counter(index for course in known for index in (course.a, course.b))
    return [course for course in known if times[course.a] == times[course.b] == 1]


def stretches_of_either(evidence: Pairs) -> list[Finding]:
    """Of pairs that alone tell each other's size: nothing tells which of the two is stretched."""
    found = []
    for axis, way in WAYS:
        for course in _telling(evidence, _lone_courses(evidence, evidence.courses, axis), axis):
            apart = float(course.stretch[axis])
            other = float(course.stretch[1 - axis])
            if not abs(apart - other) <= STRETCHED / 2:
                names = " or ".join(evidence.tiles[index].name for index in (course.a, course.b))
                why = f"{names}: one of the two is {100 * abs(apart):.1f} % too long or too short {way}"
                found.append(Finding("stretched", "redo", why, LYING, {"percent": round(100 * apart, 2)}))
    return found


def of_either(evidence: Pairs, unlike: Collection[int] = ()) -> list[Finding]:
    """What one piece of a pair has, and no third piece tells which. unlike : see `pair_findings`."""
    return [*stretches_of_either(evidence), *jumps_of_either(evidence), *_shaken_of_either(evidence, unlike)]


def striped(evidence: Pairs) -> list[tuple[int, Finding]]:
    """(tile, finding) of moire and banding."""
    found = []
    for index, sights in _sights(evidence).items():
        own = [sight.stripes for sight, _ in sights if sight.stripes]
        strongest = max((one for one in own if one.sure), key=lambda one: one.amplitude, default=None)
        if strongest and _printed(evidence, index, strongest):
            continue
        if strongest and sum(one.sure or one.confirms(strongest) for one in own) >= MOST_PAIRS * len(sights):
            found.append((index, _stripes_finding(evidence, index, strongest)))
    found += _banded_in_common(evidence) if not found else []
    linked = {index for course in evidence.courses for index in (course.a, course.b)}
    for index in sorted(set(range(len(evidence.tiles))) - linked):
        stripes = lone_stripes(evidence.looks, index)
        if stripes:
            found.append((index, _stripes_finding(evidence, index, stripes)))
    return found


def _banded_in_common(evidence: Pairs) -> list[tuple[int, Finding]]:
    """The piece that all pairs with one band have in common: under much drawing a pair may give it to the wrong one."""
    waves = {
        (item.a, item.b): [one for one in (item.own_a.stripes, item.own_b.stripes) if one and one.along == "rows"]
        for item in evidence.differences
    }
    sure = [one for own in waves.values() for one in own if one.sure]
    if not sure:
        return []
    strongest = max(sure, key=lambda one: one.amplitude)
    alike = {pair for pair, own in waves.items() if any(one.confirms(strongest) for one in own)}
    common = set.intersection(*(set(pair) for pair in alike))
    return [
        (index, _stripes_finding(evidence, index, strongest))
        for index in sorted(common)
        if len(alike) >= max(LEAST_COMMON, MOST_PAIRS * sum(index in pair for pair in waves))
    ]


def _printed(evidence: Pairs, index: int, stripes: Stripes) -> bool:
    """True of a wave that most other pieces show: a screen, which a soft neighbor alone does not show."""
    own = evidence.looks[index]
    others = [look for k, look in enumerate(evidence.looks) if k != index and look.shape == own.shape]
    if stripes.wave is None or len(others) < 2:
        return False
    return strength(own, *stripes.wave) < MINE * float(np.median([strength(look, *stripes.wave) for look in others]))


def _stripes_finding(evidence: Pairs, index: int, stripes: Stripes) -> Finding:
    mm = stripes.period * evidence.looks[index].reduction / believed_dpi(evidence.tiles)[index] * MM_PER_INCH
    numbers = {"levels": round(stripes.amplitude, 1), "period_mm": round(mm, 2)}
    what = f"of {stripes.amplitude:.0f} gray levels every {mm:.1f} mm that its neighbors do not show"
    if stripes.along == "rows":
        change = "let the lamp warm up and keep other machines off its socket, and scan again"
        return Finding("banding", "redo", f"bands across the travel {what}", change, numbers)
    change = "turn the sheet by a few degrees on the glass, or scan at another dpi, and scan again"
    return Finding("moire", "redo", f"a pattern of stripes {what}", change, numbers)


def dusty(evidence: Pairs) -> list[tuple[int, Finding]]:
    """(tile, finding) of dust. Beside a blurred or cut-off neighbor grain and fine strokes seem specks of the other
    one's own, so the neighbor that shows most does not count alone.
    """
    found = []
    for index, sights in _sights(evidence).items():
        alone = sum(sight.specks for sight, _ in sights)
        share = alone / max(1, sum(sight.all_specks for sight, _ in sights))
        others = sum(other.specks for _, other in sights)
        cell = _cm2(evidence, index)
        density = _density([sight for sight, _ in sights]) / cell
        rest = sorted((sight for sight, _ in sights), key=lambda sight: sight.specks)[: max(1, len(sights) - 1)]
        clear = share > DUST_SHARE or alone > DUST_OVER * others + LEAST_DUST
        dense = min(density * (1 - DUST_DOUBT / max(1.0, alone**0.5)), _density(rest) / cell) > DUST_PER_CM2
        if alone >= LEAST_DUST and dense and clear and alone > others:
            why = f"{alone} specks in its overlaps that the neighbors do not show, {density:.1f} on a square centimeter"
            change = "wipe sheet and glass with a soft brush, and scan again"
            found.append((index, Finding("dust", "redo", why, change, {"specks": alone, "per_cm2": round(density, 2)})))
    return found


def _specked(evidence: Pairs, index: int, other: Sight) -> bool:
    """True of a neighbor so dusty beside a piece that a clean one looks soft there."""
    return other.specks >= LEAST_DUST and _density([other]) / _cm2(evidence, index) > DUST_PER_CM2


def _cm2(evidence: Pairs, index: int) -> float:
    """Square centimeters of a view px of a piece."""
    return float((evidence.looks[index].reduction / believed_dpi(evidence.tiles)[index] * 2.54) ** 2)


def _density(sights: Sequence[Sight]) -> float:
    """Specks shown alone on a view px."""
    return sum(sight.specks for sight in sights) / max(1e-9, sum(sight.area for sight in sights))


def _smeared(evidence: Pairs, unlike: Collection[int]) -> list[tuple[int, Finding]]:
    found = []
    odd = {*unlike, *suspects(evidence.comparisons), *(index for index, _ in dusty(evidence))}
    for index, sights in _sights(evidence, without=odd).items():
        cells = max((sight.smeared for sight, other in sights if not _specked(evidence, index, other)), default=0)
        if cells >= SMEAR_CELLS:
            why = "a patch is soft that a neighbor shows sharp: a fingerprint, a smear on the glass, or a bulging sheet"
            change = "clean the glass, press the sheet down, and scan again"
            found.append((index, Finding("smear", "redo", why, change, {"cells": cells})))
    return found


def _shaken(evidence: Pairs, unlike: Collection[int]) -> list[tuple[int, Finding]]:
    """Pieces that most of their neighbors show finer across or less jagged down, and that none of these has more pairs
    to be at fault by.
    """
    claims = _shaken_claims(evidence, unlike)
    why = "beside its neighbors it is soft across or jagged along its rows: something shook while it was scanned"
    found = []
    for index, (share, count, rivals) in claims.items():
        if share >= MOST_PAIRS and all((share, count) > claims[rival][:2] for rival in rivals):
            found.append((index, Finding("shaken", "redo", why, STILL, {"neighbors": count})))
    return found


def _shaken_of_either(evidence: Pairs, unlike: Collection[int]) -> list[Finding]:
    """Of pairs of which one shook, where no third piece tells which."""
    claims = _shaken_claims(evidence, unlike)
    found = []
    for index, (share, count, (other, *_)) in claims.items():
        if (share, count) == (1.0, 1) == claims[other][:2] and index < other:
            names = f"{evidence.tiles[index].name} or {evidence.tiles[other].name}"
            why = f"{names}: one of the two is soft across or jagged along its rows, and no third piece shows which"
            found.append(Finding("shaken", "redo", why, STILL))
    return found


def _shaken_claims(evidence: Pairs, unlike: Collection[int]) -> dict[int, tuple[float, int, list[int]]]:
    """Piece -> (share and number of its pairs in which it, or the other one, shook; the others of these). What one way
    stripes add to one of a pair tells nothing, nor do steps of few tones, nor rows that lie aside along the travel too.
    """
    misfit = {(one.a, one.b) for one in evidence.courses if one.jumps or (np.abs(one.stretch) > STRETCHED).any()}
    known: dict[int, list[tuple[int, bool]]] = {}
    for item in evidence.differences:
        one_way = item.own_a.stripes or item.own_b.stripes or {item.a, item.b} & set(unlike)
        told = [] if one_way or item.leaning is None else [abs(item.leaning) > SHAKEN]
        told += [] if item.jagged is None or (item.a, item.b) in misfit else [item.jagged > JAGGED]
        for index, other in ((item.a, item.b), (item.b, item.a)) if told else ():
            known.setdefault(index, []).append((other, any(told)))
    claims = {}
    for index, pairs in known.items():
        others = [other for other, apart in pairs if apart]
        if others:
            claims[index] = (len(others) / len(pairs), len(others), others)
    return claims


def _sights(evidence: Pairs, without: Collection[int] = ()) -> dict[int, list[tuple[Sight, Sight]]]:
    """Tile -> (its own, the neighbor's) part of each of its differences, but for those with some of the tiles."""
    found: dict[int, list[tuple[Sight, Sight]]] = {}
    for item in evidence.differences:
        if {item.a, item.b} & set(without):
            continue
        found.setdefault(item.a, []).append((item.own_a, item.own_b))
        found.setdefault(item.b, []).append((item.own_b, item.own_a))
    return found
