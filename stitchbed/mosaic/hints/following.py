"""I follow what a person said of where pieces lie, as far as the pictures let me.

In: links, hints, a way to lay links out. Out: the links to lay out instead, and of each hint whether it was followed.

Points said to be the same and pieces said not to move are followed whatever the pictures show. Everything else only
tells where to look: it is followed where the pictures agree there, or show nothing at all, and refused otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.transforms import between, inverse, moved, turn_of
from stitchbed.matching.overlap_evidence import Detail, EvidenceSettings, compare, probability
from stitchbed.matching.similarity_links import Link
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.kinds import Apart, Beside, Grid, Hint, Hold, Near, SamePoint, Together, Turn
from stitchbed.mosaic.hints.motions import (
    BARE,
    BELIEVED,
    QUARTERS,
    SURE,
    TILT_DEGREES,
    Found,
    Sheet,
    aim_of,
    bare_place,
    by_place,
    by_points,
    middle_of,
    place_at,
    turn_between,
    turn_on,
    turn_said,
)
from stitchbed.mosaic.linking.link_graph import corners
from stitchbed.mosaic.linking.pose_graph import Layout
from stitchbed.mosaic.registration.canvas import make_canvas
from stitchbed.mosaic.registration.placement import Placement

TURN_DEGREES = 20.0  # what is said of a turn is good to this
USUAL_STEP = 0.8  # of a piece's side, from one to the next in a grid of which nothing else is known
GRID_ROOM = 0.2  # of a piece's shorter side, round its place in a grid
AGAINST = 0.1  # probability under which the pictures contradict


@dataclass(frozen=True)
class Pieces:
    """What is known of all pieces: sizes (h, w) px, details and dpi by name; laid: lays links out, largest island
    first; closer: links of a pair by all means there are; recorded: canvas_from_tile of an earlier record."""

    sizes: Mapping[str, tuple[int, int]]
    details: Mapping[str, Detail]
    dpi: Mapping[str, float]
    evidence: EvidenceSettings
    laid: Callable[[Sequence[Link]], list[Layout]]
    closer: Callable[[str, str], Link | None]
    recorded: Mapping[str, Array] = field(default_factory=dict)


@dataclass(frozen=True)
class Told:
    """What became of one hint, in words; against: it contradicts the pictures, followed or not."""

    hint: Hint
    followed: bool
    words: str
    against: bool = False


@dataclass(frozen=True)
class Followed:
    """links : to lay out. told : of every hint that says where pieces lie. cut : links not used, as two are apart."""

    links: tuple[Link, ...]
    told: tuple[Told, ...] = ()
    cut: tuple[Link, ...] = ()


def follow(hints: Hints, links: Sequence[Link], pieces: Pieces) -> Followed:
    """Links after all hints on places: first what is certain, then what only tells where to look."""
    state = _parted(hints.apart, links)
    state = _held(hints.hold, state, pieces)
    state = _same_points(hints, state, pieces)
    for pair in hints.together:
        state = _together(pair, state, pieces)
    where: tuple[Near | Beside | Turn, ...] = (*hints.near, *hints.beside, *hints.turn)
    for one in where:
        state = _searched(one, state, pieces)
    for grid in hints.grid:
        state = _in_grid(grid, state, pieces)
    return _still_apart(hints.apart, state, pieces)


def sheet_of(layout: Layout, pieces: Pieces) -> Sheet:
    """An island of pieces as a sheet that stands upright."""
    places = [Placement(name, pieces.sizes[name], place) for name, place in layout.sheet_from_tile.items()]
    canvas = make_canvas(places, 1.0, most_pixels=float("inf"))
    scale = pieces.dpi[layout.reference] / MM_PER_INCH
    names = layout.sheet_from_tile
    return Sheet(names, pieces.sizes, pieces.details, pieces.dpi, scale, canvas.canvas_from_sheet)


def given_back(state: Followed, hints: Sequence[Apart]) -> Followed:
    """The same with links of pieces that were said to be apart, for without them the set falls apart."""
    told = [one for one in state.told if not isinstance(one.hint, Apart)]
    words = "refused: without what the two share the pieces do not hang together"
    refused = [Told(one, False, words, True) for one in hints]
    return Followed((*state.links, *state.cut), (*told, *refused))


def _between(item: Link, a: str, b: str) -> bool:
    return {item.a, item.b} == {a, b}


def _more(state: Followed, told: Told, *links: Link) -> Followed:
    return replace(state, links=(*state.links, *links), told=(*state.told, told))


def _parted(apart: Sequence[Apart], links: Sequence[Link]) -> Followed:
    cut = [item for item in links if any(_between(item, one.a, one.b) for one in apart)]
    return Followed(tuple(item for item in links if not any(item is one for one in cut)), (), tuple(cut))


def _still_apart(apart: Sequence[Apart], state: Followed, pieces: Pieces) -> Followed:
    """Two said to be apart that all others lay on each other, and that show the same there, are not apart."""
    if not apart:
        return state
    layouts = pieces.laid(state.links)
    for one in apart:
        mine = [item for item in state.cut if _between(item, one.a, one.b)]
        places = next((lay.sheet_from_tile for lay in layouts if {one.a, one.b} <= set(lay.sheet_from_tile)), None)
        agree = places is not None and _agree(places, one.a, one.b, pieces) > SURE
        if agree:
            words = "refused: all other pieces lay the two on each other, and they show the same there"
            state = _more(state, Told(one, False, words, True), *mine)
        else:
            words = "followed: the link between them is not used" if mine else "nothing to change, no link was found"
            state = _more(state, Told(one, True, words))
    return state


def _agree(places: Mapping[str, Array], a: str, b: str, pieces: Pieces) -> float:
    """Probability that two laid-out pieces lie rightly; 0 where they share nothing drawn."""
    motion = between(places[a], places[b])
    seen = compare(motion, (pieces.details[a], pieces.details[b]), pieces.evidence)
    return probability(seen, pieces.evidence) if seen.amount > BARE else 0.0


def _held(held: Sequence[Hold], state: Followed, pieces: Pieces) -> Followed:
    """Pieces whose places are given do not move against each other."""
    places = {one.piece: _given_place(one, pieces) for one in held}
    known = {name: place for name, place in places.items() if place is not None}
    links = []
    for a, b in pairwise(known):
        motion = between(known[a], known[b])
        at = corners(pieces.sizes[a])
        links.append(Link(a, b, motion, at, moved(motion, at), 0.01, 1.0, 0.0, said=True))
    kept = [item for item in state.links if not (item.a in known and item.b in known)]
    state = replace(state, links=(*kept, *links))
    for one in held:
        alone = one.piece not in known or len(known) == 1
        words = "the others are moved to it" if alone else "keeps the place it was given among those held"
        state = _more(state, Told(one, True, f"followed: {words}"))
    return state


def _given_place(one: Hold, pieces: Pieces) -> Array | None:
    """Where a held piece lies, in px of a sheet of its own dpi; None where neither hint nor record says."""
    if one.at is None:
        return pieces.recorded.get(one.piece)
    scale = pieces.dpi[min(pieces.dpi)] / MM_PER_INCH
    sheet = Sheet({}, pieces.sizes, pieces.details, pieces.dpi, scale, np.eye(3))
    return place_at(np.array(one.at), one.turn or 0.0, sheet, one.piece)


def _same_points(hints: Hints, state: Followed, pieces: Pieces) -> Followed:
    """Each pair with points said to be the same gets the motion they fix, in place of any other."""
    pairs: dict[tuple[str, str], list[SamePoint]] = {}
    for one in hints.same_point:
        pair = (min(one.a, one.b), max(one.a, one.b))
        swapped = replace(one, a=one.b, a_at=one.b_at, b=one.a, b_at=one.a_at)
        pairs.setdefault(pair, []).append(one if one.a == pair[0] else swapped)
    before = pieces.laid(state.links) if pairs else []
    for (a, b), said in pairs.items():
        details = (pieces.details[a], pieces.details[b])
        turns = _turns_between(a, b, hints, state.links, before)
        scale = pieces.dpi[b] / pieces.dpi[a]
        found = by_points(
            said, details, scale, pieces.dpi[b] / MM_PER_INCH, turns=turns, evidence=pieces.evidence
        )  # fmt: skip
        chance = probability(found.seen, pieces.evidence)
        kept = tuple(item for item in state.links if not _between(item, a, b))
        against = not found.bare and chance < AGAINST
        state = replace(state, links=(*kept, found.link))
        for one in hints.same_point:
            if {one.a, one.b} == {a, b}:
                state = _more(state, Told(one, True, _point_words(found, chance), against))
    return state


def _point_words(found: Found, chance: float) -> str:
    if found.bare:
        return "followed: hardly anything is drawn where the two overlap, so they lie as the points say"
    if chance < AGAINST:
        return f"followed although the pictures contradict it (they agree to {found.seen.score:.2f} there)"
    return f"followed: the pictures agree to {found.seen.score:.2f} there"


def _turns_between(a: str, b: str, hints: Hints, links: Sequence[Link], before: Sequence[Layout]) -> list[float]:
    """Turns of b against a worth trying, degrees: what is known, else upright and by quarters."""
    known = [float(np.degrees(turn_of(item.b_from_a))) for item in links if (item.a, item.b) == (a, b)]
    for layout in before:
        if a in layout.sheet_from_tile and b in layout.sheet_from_tile:
            places = layout.sheet_from_tile
            known.append(float(np.degrees(turn_of(np.linalg.inv(places[b]) @ places[a]))))
    said = {one.piece: one.degrees for one in hints.turn}
    if a in said or b in said:
        return [said.get(a, 0.0) - said.get(b, 0.0)]
    return known or list(QUARTERS)


def _together(pair: Together, state: Followed, pieces: Pieces) -> Followed:
    mine = [item for item in state.links if _between(item, pair.a, pair.b)]
    if mine:
        return _more(state, Told(pair, True, "nothing to change: a link between them is known"))
    found = pieces.closer(pair.a, pair.b)
    if found is None:
        return _more(state, Told(pair, False, "refused: a closer look found no way in which they agree", True))
    return _more(state, Told(pair, True, f"followed: they agree to {found.agreement:.2f}"), found)


def _searched(hint: Near | Beside | Turn, state: Followed, pieces: Pieces) -> Followed:
    """Look for a piece where a hint says; what was known of it gives way only to what agrees better."""
    layouts = pieces.laid(state.links)
    of = None if isinstance(hint, Turn) else hint.of
    main = next((lay for lay in layouts if of in lay.sheet_from_tile), layouts[0])
    loose = hint.piece not in main.sheet_from_tile
    if not loose and len(main.sheet_from_tile) > 1 and _as_said(hint, sheet_of(main, pieces)):
        return _more(state, Told(hint, True, "nothing to change: the pictures say the same"))
    others = [item for item in state.links if hint.piece not in (item.a, item.b)]
    mine = [item for item in state.links if hint.piece in (item.a, item.b)]
    if not loose:
        rest = [lay for lay in pieces.laid(others) if hint.piece not in lay.sheet_from_tile]
        if not rest:
            return _more(state, Told(hint, False, "refused: there is no other piece", True))
        main = next((lay for lay in rest if of in lay.sheet_from_tile), rest[0])
    found = _found_at(hint, sheet_of(main, pieces), pieces)
    return _judged(hint, found, replace(state, links=tuple(state.links if loose else others)), (mine, loose))


def _judged(
    hint: Near | Beside | Turn, found: Found | None, state: Followed, known: tuple[Sequence[Link], bool]
) -> Followed:
    """Take what was found, unless what was known agrees better. known : links of the piece, and whether they leave it
    loose."""
    mine, loose = known
    old = (
        0.0 if loose else max((item.probability for item in mine if not item.ambiguous and not item.weak), default=0.0)
    )
    said = any(item.said for item in mine) and not loose
    if found is None or found.link.probability < BELIEVED:
        words = "refused: no place there at which the pictures agree"
        found = None
    elif said:
        words = "refused: points said to be the same, or a place said to be held, say otherwise"
    elif found.bare and old >= BELIEVED:
        words = "refused: nothing is drawn there, and elsewhere the pictures agree"
    elif old > found.link.probability + 0.02:
        words = f"refused: elsewhere the pictures agree better ({old:.2f} against {found.link.probability:.2f})"
    else:
        note = (
            "nothing is drawn there to contradict it" if found.bare else f"the pictures agree to {found.seen.score:.2f}"
        )
        return _more(state, Told(hint, True, f"followed: {note}"), found.link)
    back = () if loose else tuple(mine)
    return _more(replace(state, links=(*state.links, *back)), Told(hint, False, words, True))


def _as_said(hint: Near | Beside | Turn, sheet: Sheet) -> bool:
    """Whether a piece lies as a hint says already."""
    turn = hint.degrees if isinstance(hint, Turn) else turn_said(hint, sheet)
    turned = turn is None or turn_between(turn_on(hint.piece, sheet), turn) < TURN_DEGREES
    if isinstance(hint, Turn):
        return turned
    off = np.abs(middle_of(hint.piece, sheet) - aim_of(hint, sheet)).max()
    return turned and float(off) <= hint.within_mm


def _found_at(hint: Near | Beside | Turn, sheet: Sheet, pieces: Pieces) -> Found | None:
    """The most probable link of a piece at the place, or with the turn, that a hint says."""
    if isinstance(hint, Turn):
        return _found_turned(hint, sheet, pieces)
    aim, found = aim_of(hint, sheet), []
    said = turn_said(hint, sheet)
    turns = QUARTERS if said is None else (said,)
    for turn in turns:
        there = place_at(aim, turn, sheet, hint.piece)
        found += by_place(hint.piece, there, sheet, hint.within_mm, evidence=pieces.evidence)
        if found and max(one.link.probability for one in found) > SURE:
            break
    best = max(found, key=lambda one: one.link.probability, default=None)
    if best is not None and best.link.probability >= BELIEVED:
        return best
    there = place_at(aim, turns[0], sheet, hint.piece)
    return bare_place(hint.piece, there, sheet, hint.within_mm, pieces.evidence)


def _found_turned(hint: Turn, sheet: Sheet, pieces: Pieces) -> Found | None:
    """The most probable link with any piece of the sheet, by closer looks at those the turn allows."""
    found = []
    for other in sheet.places:
        item = pieces.closer(other, hint.piece)
        if item is None:
            continue
        item = item if item.a == other else _swapped(item)
        turn = turn_on(other, sheet) - float(np.degrees(turn_of(item.b_from_a)))
        if turn_between(turn, hint.degrees) < TURN_DEGREES + TILT_DEGREES:
            motion, pair = item.b_from_a, (pieces.details[other], pieces.details[hint.piece])
            found.append(Found(item, compare(motion, pair, pieces.evidence)))
    return max(found, key=lambda one: one.link.probability, default=None)


def _swapped(item: Link) -> Link:
    back = inverse(item.b_from_a)
    return replace(item, a=item.b, b=item.a, b_from_a=back, xy_a=item.xy_b, xy_b=item.xy_a)


def _in_grid(grid: Grid, state: Followed, pieces: Pieces) -> Followed:
    """Doubtful links across a grid are not used, and loose pieces are looked for at their places in it."""
    cell = {name: divmod(number, grid.across) for number, name in enumerate(grid.order)}
    across = [item for item in state.links if _apart_in(cell, item) > 1]
    doubtful = [item for item in across if (item.weak or item.ambiguous or item.probability < SURE) and not item.said]
    state = replace(state, links=tuple(item for item in state.links if not any(item is one for one in doubtful)))
    added: list[str] = []
    while True:
        layouts = pieces.laid(state.links)
        inside = layouts[0].sheet_from_tile
        loose = [name for name in grid.order if name not in inside and name not in added]
        found = next((one for name in loose if (one := _at_cell(name, cell, layouts[0], pieces))), None)
        if found is None:
            break
        added.append(found.link.b)
        state = replace(state, links=(*state.links, found.link))
    sure = [f"{item.a} - {item.b}" for item in across if item not in doubtful]
    words = "followed" + (f": {', '.join(added)} found at their places in it" if added else "")
    words += f"; links across it not used: {', '.join(f'{i.a} - {i.b}' for i in doubtful)}" if doubtful else ""
    if sure:
        words = f"overruled where the pictures are sure of other neighbors: {', '.join(sure)}; otherwise {words}"
    if not added and not doubtful and not sure:
        words = "nothing to change: the pictures say the same"
    return _more(state, Told(grid, not sure, words, bool(sure)))


def _apart_in(cell: Mapping[str, tuple[int, int]], item: Link) -> int:
    """Cells of the grid between two linked pieces; 0 where it holds not both."""
    if item.a not in cell or item.b not in cell:
        return 0
    return max(abs(cell[item.a][k] - cell[item.b][k]) for k in (0, 1))


def _at_cell(name: str, cell: Mapping[str, tuple[int, int]], layout: Layout, pieces: Pieces) -> Found | None:
    """A believed link of a loose piece at its place in the grid, if neighbors there are laid out."""
    sheet = sheet_of(layout, pieces)
    placed = {other: middle_of(other, sheet) for other in sheet.places if other in cell}
    near = [other for other in placed if sum(abs(cell[name][k] - cell[other][k]) for k in (0, 1)) == 1]
    if not near:
        return None
    height, width = (side / pieces.dpi[name] * MM_PER_INCH for side in pieces.sizes[name])
    steps = [_step(cell, placed, k, (USUAL_STEP * height, USUAL_STEP * width)[k]) for k in (0, 1)]
    aims = [placed[o] + sum((cell[name][k] - cell[o][k]) * steps[k] for k in (0, 1)) for o in near]
    there = place_at(np.mean(aims, axis=0), turn_on(near[0], sheet), sheet, name)
    found = by_place(name, there, sheet, GRID_ROOM * min(height, width), evidence=pieces.evidence)
    return found[0] if found and found[0].link.probability >= BELIEVED else None


def _step(cell: Mapping[str, tuple[int, int]], placed: Mapping[str, Array], axis: int, usual: float) -> Array:
    """(2,) mm from a piece to the next along an axis (0: down, 1: right), by those laid out."""
    ahead = {cell[name]: at for name, at in placed.items()}
    steps = []
    for (row, col), at in ahead.items():
        after = ahead.get((row + 1, col) if axis == 0 else (row, col + 1))
        steps += [after - at] if after is not None else []
    if steps:
        return np.asarray(np.median(steps, axis=0), np.float64)
    return np.array([0.0, usual] if axis == 0 else [usual, 0.0])
