"""I find what changed between scans: places where two pieces, leveled and aligned, still show different things.

In: pieces on the canvas, their small pictures, levels and lifted zones. Out: `Disagreements`: how much pieces disagree
on the seams' grid, and the `Change`s, each with the piece it is to be shown from as a whole.

A flap that was moved, a crumb that fell onto the sheet, a slip of paper: what one scan shows is as true as the other,
but half of each is not. A small mark on what is blank in the other piece is taken for dirt: the blank look is shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.memory import late
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box, clipped, grown, meets, shifted, spanning
from stitchbed.imaging.gray import most_of
from stitchbed.imaging.parallel import in_order
from stitchbed.imaging.sample import sample
from stitchbed.mosaic.compositing.seams import SeamMap, cells_of, depth_mm, grid_of
from stitchbed.mosaic.photometry.gain_compensation import MOST_SHUT, Level, leveled_at
from stitchbed.mosaic.photometry.lift import Lift
from stitchbed.mosaic.photometry.overlap_samples import Small, in_all
from stitchbed.mosaic.registration.canvas import Canvas
from stitchbed.mosaic.registration.placement import Placement, magnification

ndimage = late("scipy.ndimage")
morphology = late("skimage.morphology")
nx = late("networkx")

# Two pieces cut a drawing into cells otherwise. They may differ by this share of what a tone changes by over three
# cells, and of the unrest within a cell (95 of 100 cells of text, comics, screens of dots and dense drawing: .1).
SLOPE, UNREST = 0.12, 0.1
FLOOR = 0.03  # light added before logs are taken: ink's own noise does not count
UNSEEN = -1e9  # mm of depth


@dataclass(frozen=True)
class ChangeSettings:
    """flat_mm: both pieces must see a place this far from their edges and lifted zones. differs, peak: difference of
    log light that belongs to a change, and that one must reach somewhere. least_cells: smaller ones are noise.
    tone_step: log light two pieces may differ by all over their overlap before it is told; some 4 CIE dE2000 on paper.
    joined_mm: parts nearer to each other than this are one thing; edges_mm: and parts larger than crumb_mm, for they
    may be the two sides of a flap that moved. mark_mm: larger things are no dirt. blank: share of a mark's own contrast
    that the clean piece may show. round_mm: taken from the same piece round a change. rim_mm: so near to its edge or to
    where it lifts a piece's look may differ because it is about to lift.
    """

    flat_mm: float = 2.5
    differs: float = 0.09
    peak: float = 0.14
    least_cells: int = 3
    tone_step: float = 0.1
    joined_mm: float = 6.0
    edges_mm: float = 30.0
    crumb_mm: float = 6.0
    mark_mm: float = 12.0
    blank: float = 0.4
    round_mm: float = 2.0
    rim_mm: float = 6.0


@dataclass(frozen=True)
class Change:
    """A place where pieces a and b (numbers) disagree. box : cells of the seam grid. mask : (box) cells.

    shown : piece it is taken from. mark : a mark that piece does not show. whole : False where no piece sees all of it
    flat, so that a cut cannot be avoided. rim : the other piece sees it near its own rim only, where sheets lift.
    """

    a: int
    b: int
    box: Box
    mask: Mask
    shown: int
    mark: bool
    whole: bool
    rim: bool = False


@dataclass(frozen=True)
class ToneStep:
    """Pieces a and b still differ in light all over their overlap. box : cells. step : largest log over channels."""

    a: int
    b: int
    box: Box
    step: float


@dataclass(frozen=True)
class Disagreements:
    """unrest : (h, w) largest difference of log light between two pieces per cell of the seam grid. cell : px."""

    unrest: Array
    cell: int
    changes: tuple[Change, ...]
    steps: tuple[ToneStep, ...] = ()


@dataclass(frozen=True)
class _Look:
    """One piece on its part of the grid: logs (h, w, c) of light, depth (h, w) mm, less than 0 where not flat.

    room : (h, w) what another cut into cells may change it by. shut : (h, w, c) light is clipped there, at least so
    bright. gray : of a piece without color, among colored ones.
    """

    box: Box
    logs: Array
    depth: Array
    room: Array
    shut: Mask
    gray: bool


def find_changes(
    places: Sequence[Placement],
    smalls: Sequence[Small],
    levels: Sequence[Level],
    lifts: Sequence[Lift],
    canvas: Canvas,
    *,
    cell_mm: float,
    settings: ChangeSettings,
    workers: int = 1,
) -> Disagreements:
    """Compare every two pieces on the grid of the seams; `places` are on the canvas."""
    cell, shape = grid_of(canvas, cell_mm)

    def look(piece: tuple[Placement, Small, Level, Lift]) -> _Look:
        return _look(*piece, canvas, cell, shape)

    looks = list(in_order(look, zip(places, smalls, levels, lifts, strict=True), workers))
    unrest, changes, steps = np.zeros(shape), [], []
    mm = cell / canvas.dpi * MM_PER_INCH
    for i in range(len(looks)):
        for j in range(i + 1, len(looks)):
            box, difference, step = _difference(looks[i], looks[j], settings.flat_mm)
            if box.empty:
                continue
            steps += [ToneStep(i, j, box, step)] if step > settings.tone_step else []
            unrest[box.slices] = np.maximum(unrest[box.slices], difference)
            changes += _of_pair((i, j), (box, difference), looks, mm, settings)
    return Disagreements(unrest, cell, tuple(_merged(changes)), tuple(steps))


def changed_cells(found: Disagreements) -> Mask:
    """(h, w) cells of the seam grid that belong to a change; no other piece is a judge of dust there."""
    cells = np.zeros(found.unrest.shape, bool)
    for change in found.changes:
        cells[change.box.slices] |= change.mask
    return cells


def _merged(changes: Sequence[Change]) -> list[Change]:
    """One change for all those that lie on each other: the piece most of them show, area counted, wins.

    A crumb in one piece is a change between it and every other piece there.
    """
    together = nx.Graph()
    together.add_nodes_from(range(len(changes)))
    together.add_edges_from((m, n) for m, one in enumerate(changes) for n in range(m) if meets(one.box, changes[n].box))
    found = []
    for numbers in nx.connected_components(together):
        group = [changes[n] for n in sorted(numbers)]
        votes: dict[int, float] = {}
        for change in group:
            lost = change.b if change.shown == change.a else change.a
            area = float(change.mask.sum())
            votes[change.shown] = votes.get(change.shown, 0) + area * (1 if change.whole else 0.1)
            votes[lost] = votes.get(lost, 0) - area
        shown = max(sorted(votes), key=lambda i: votes[i])
        head = max((c for c in group if c.shown == shown), key=lambda c: c.mask.sum(), default=group[0])
        found.append(_union(replace(head, mark=all(c.mark for c in group)), group))
    return found


def _union(head: Change, group: Sequence[Change]) -> Change:
    """`head` over the places of all of its group."""
    top, left = min(c.box.row for c in group), min(c.box.col for c in group)
    box = Box(top, left, max(c.box.bottom for c in group) - top, max(c.box.right for c in group) - left)
    mask = np.zeros((box.height, box.width), bool)
    for change in group:
        mask[shifted(change.box, -top, -left).slices] |= change.mask
    return replace(head, box=box, mask=mask)


def shown_whole(seams: SeamMap, found: Disagreements, places: Sequence[Placement], canvas: Canvas) -> SeamMap:
    """The seams with each change, and a little round it, given to the piece it is shown from where that piece sees."""
    labels = seams.labels.copy()
    for change in found.changes:
        rows, cols, at = cells_of(places[change.shown], canvas, seams.cell, labels.shape)
        height, width = places[change.shown].size
        sees = ((at > 0).all(1) & (at[:, 0] < width - 1) & (at[:, 1] < height - 1)).reshape(rows.stop - rows.start, -1)
        mine = np.zeros(labels.shape, bool)
        mine[change.box.slices] = change.mask
        part = labels[rows, cols]
        part[mine[rows, cols] & sees] = change.shown
    return replace(seams, labels=labels)


def _look(
    place: Placement, small: Small, level: Level, lift: Lift, canvas: Canvas, cell: int, shape: tuple[int, int]
) -> _Look:
    rows, cols, at = cells_of(place, canvas, cell, shape)
    size = (rows.stop - rows.start, cols.stop - cols.start)
    depth = depth_mm(place, lift, at, canvas.dpi / MM_PER_INCH / magnification(place))
    light = leveled_at(level, small, at)
    box = Box(rows.start, cols.start, *size)
    logs = np.log(np.maximum(light, 0) + FLOOR).reshape(*size, -1)
    around = (3, 3, 1)
    slope = most_of(ndimage.maximum_filter(logs, around) - ndimage.minimum_filter(logs, around))
    room = SLOPE * slope + UNREST * sample(small.unrest[..., None], at, small.cell).reshape(size)
    shut = sample(small.shut, at, small.cell).reshape(logs.shape) > MOST_SHUT
    return _Look(box, logs, depth.reshape(size), room, shut, small.gray)


def _part(look: _Look, box: Box) -> tuple[Array, Array]:
    """Logs and depth of a look on a box within its own."""
    at = _within(look, box)
    return look.logs[at], look.depth[at]


def _within(look: _Look, box: Box) -> tuple[slice, slice]:
    """Where a box lies in a look's arrays."""
    return shifted(box, -look.box.row, -look.box.col).slices


def _difference(one: _Look, two: _Look, flat_mm: float) -> tuple[Box, Array, float]:
    """The common box; (h, w) largest difference over channels, 0 where not both see flat; the median taken off it."""
    box = clipped(one.box, two.box)
    if box.empty:
        return box, np.zeros((0, 0)), 0.0
    (logs, depth), (other, other_depth) = _part(one, box), _part(two, box)
    flat = np.minimum(depth, other_depth) > flat_mm
    if flat.sum() < 9:
        return Box(0, 0, 0, 0), np.zeros((0, 0)), 0.0
    rest, shut = logs - other, (one.shut[_within(one, box)], two.shut[_within(two, box)])
    step = np.array([_usual(rest[..., c][flat], (shut[0] | shut[1])[..., c][flat]) for c in range(rest.shape[-1])])
    rest -= step
    rest[shut[0]] = np.maximum(rest[shut[0]], 0)  # clipped light may be any brighter: darker is no difference
    rest[shut[1]] = np.minimum(rest[shut[1]], 0)
    room = np.minimum(one.room[_within(one, box)], two.room[_within(two, box)])
    apart, apart_all_over = (_apart(value, one.gray != two.gray) for value in (rest, step))
    return box, np.where(flat, np.maximum(apart - room, 0), 0.0), float(apart_all_over)


def _usual(rest: Array, shut: Mask) -> float:
    """The middle of (n,) differences where light is not clipped; 0 where it is all over, for then nothing tells."""
    return float(np.median(rest[~shut])) if (~shut).any() else 0.0


def _apart(rest: Array, mixed: bool) -> Array:
    """(...) how far two looks are apart by what lies between their channels (..., C). mixed : one of them is gray."""
    result: Array = np.abs(in_all(rest)) if mixed else np.abs(rest).max(-1)
    return result


def _of_pair(
    pair: tuple[int, int], at: tuple[Box, Array], looks: Sequence[_Look], mm: float, settings: ChangeSettings
) -> list[Change]:
    """The changes between two pieces: marks by themselves, sides of a thing with all that lies between them."""
    box, difference = at
    parts = _things(difference, mm, settings)
    small = [_side(mask, mm) <= settings.crumb_mm for mask in parts]
    found = [_settled(pair, (box, m), looks, mm, settings) for m, little in zip(parts, small, strict=True) if little]
    for group in _near([m for m, little in zip(parts, small, strict=True) if not little], mm, settings.edges_mm):
        hull = _settled(pair, (box, morphology.convex_hull_image(np.any(group, axis=0))), looks, mm, settings)
        each = [_settled(pair, (box, mask), looks, mm, settings) for mask in group]
        found += [hull] if hull.whole else [replace(change, shown=hull.shown, whole=False) for change in each]
    return found


def _side(mask: Mask, mm: float) -> float:
    """Longer side of what a mask holds, mm."""
    return mm * float(max(np.ptp(axis) + 1 for axis in np.nonzero(mask)))


def _near(masks: Sequence[Mask], mm: float, most_mm: float) -> list[list[Mask]]:
    """Masks in groups: those that can be reached from each other by steps of at most `most_mm`."""
    if not masks:
        return []
    reach = max(1, round(most_mm / mm / 2))
    boxes = [grown(_frame(mask), reach) for mask in masks]
    together = nx.Graph()
    together.add_nodes_from(range(len(masks)))
    together.add_edges_from((m, n) for m, box in enumerate(boxes) for n in range(m) if meets(box, boxes[n]))
    return [[masks[n] for n in sorted(group)] for group in nx.connected_components(together)]


def _frame(mask: Mask) -> Box:
    rows, cols = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    return spanning(int(rows[0]), int(cols[0]), int(rows[-1]) + 1, int(cols[-1]) + 1)


def _things(difference: Array, mm: float, settings: ChangeSettings) -> list[Mask]:
    """Masks (h, w) of what differs: parts that lie near each other together, holes filled."""
    differs = difference > settings.differs
    if not differs.any():
        return []
    near = ndimage.binary_dilation(differs, iterations=max(1, round(settings.joined_mm / mm / 2)))
    groups, count = ndimage.label(near, structure=np.ones((3, 3)))
    found = []
    for number in range(1, count + 1):
        mask = differs & (groups == number)
        if mask.sum() >= settings.least_cells and difference[mask].max() >= settings.peak:
            closed = ndimage.binary_closing(np.pad(mask, 3), iterations=3)[3:-3, 3:-3] | mask
            found.append(np.asarray(ndimage.binary_fill_holes(closed), bool))
    return found


def _settled(
    pair: tuple[int, int], at: tuple[Box, Mask], looks: Sequence[_Look], mm: float, settings: ChangeSettings
) -> Change:
    """Whom a change is shown from: the blank look at a mark, the look a third piece bears out, or the deepest one."""
    box, mask = _trimmed(*at, grow=max(1, round(settings.round_mm / mm)))
    core = _moved(at[1], (at[0].row - box.row, at[0].col - box.col), mask.shape)
    views = {i: _view(looks[i], box) for i in pair}
    least = {i: float(views[i][1][mask].min()) for i in pair}
    whole = {i: least[i] > 0 for i in pair}
    side = _side(core, mm)
    third = _borne_out(pair, box, core, looks)
    clean = _blank_one(pair, views, core, mask, settings) if side <= settings.mark_mm else None
    if clean is not None and whole[clean] and third in (None, clean):
        return Change(*pair, box, mask, clean, mark=True, whole=True)
    shown = third if third is not None and whole[third] else max(pair, key=lambda i: least[i])
    lost = pair[0] if shown == pair[1] else pair[1]
    rim = whole[shown] and float(views[lost][1][core].max()) < settings.rim_mm
    return Change(*pair, box, mask, shown, mark=False, whole=whole[shown], rim=rim)


def _trimmed(box: Box, mask: Mask, *, grow: int) -> tuple[Box, Mask]:
    """The mask grown by `grow` cells (it may leave the box it came in), and its own box."""
    wide = np.pad(mask, grow)
    ball = np.hypot(*np.mgrid[-grow : grow + 1, -grow : grow + 1]) <= grow + 0.5
    wide = np.asarray(ndimage.binary_dilation(wide, structure=ball), bool)
    frame = _frame(wide)
    return shifted(frame, box.row - grow, box.col - grow), wide[frame.slices]


def _moved(mask: Mask, offset: tuple[int, int], shape: tuple[int, int]) -> Mask:
    """A mask moved by `offset` cells into an array of another shape."""
    found = np.zeros(shape, bool)
    rows, cols = np.nonzero(mask)
    found[rows + offset[0], cols + offset[1]] = True
    return found


def _view(look: _Look, box: Box) -> tuple[Array, Array]:
    """Logs and depth of a look on any box; UNSEEN deep where it does not reach."""
    logs = np.zeros((box.height, box.width, look.logs.shape[2]))
    depth = np.full((box.height, box.width), UNSEEN)
    common = clipped(box, look.box)
    if not common.empty:
        there = shifted(common, -box.row, -box.col).slices
        logs[there], depth[there] = _part(look, common)
    return logs, depth


def _blank_one(
    pair: tuple[int, int], views: dict[int, tuple[Array, Array]], core: Mask, mask: Mask, settings: ChangeSettings
) -> int | None:
    """The piece of the pair that shows a mark's place like its surroundings, while the other does not; else None."""
    ring = mask & ~ndimage.binary_dilation(core)
    if not ring.any():
        return None
    contrast = {}
    for i in pair:
        logs = views[i][0]
        contrast[i] = float(np.abs(logs[core] - np.median(logs[ring], axis=0)).max(1).mean())
    calm, loud = sorted(pair, key=lambda i: contrast[i])
    return calm if contrast[calm] < settings.blank * contrast[loud] else None


def _borne_out(pair: tuple[int, int], box: Box, core: Mask, looks: Sequence[_Look]) -> int | None:
    """The piece of the pair that a third one, which sees the place flat, agrees with; None without a third one."""
    votes = dict.fromkeys(pair, 0.0)
    for k, look in enumerate(looks):
        if k in pair:
            continue
        logs, depth = _view(look, box)
        if depth[core].min() <= 0:
            continue
        off = {i: float(np.abs(_view(looks[i], box)[0][core] - logs[core]).max(1).mean()) for i in pair}
        votes[min(off, key=lambda i: off[i])] += 1
    first, second = pair
    return None if votes[first] == votes[second] else max(pair, key=lambda i: votes[i])
