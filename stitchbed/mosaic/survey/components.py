"""I deal with pieces that do not hang together: a second, closer look, and if that fails, words.

In: layouts of several islands. Out: one layout, or an error that names pieces, what was tried and what to rescan.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2

from stitchbed.core.arrays import Array
from stitchbed.core.errors import Disconnected
from stitchbed.imaging.gray import evened, gray_of
from stitchbed.matching.features import detect
from stitchbed.matching.overlap_evidence import (
    Detail,
    Evidence,
    EvidenceSettings,
    aligned,
    compare,
    detail_of,
    drawn_in,
    probability,
)
from stitchbed.matching.similarity_links import Link, NoLink, Sight, proposals, scales_seen
from stitchbed.matching.sliding import SlidingSettings, slid
from stitchbed.matching.twins import TwinSettings, drawn_once
from stitchbed.mosaic.islands.lattice import open_pieces
from stitchbed.mosaic.linking.pose_graph import Layout, repeated_in
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.judgment import PieceView, believed, judged_link, link_by_cells, once_alike, pair_scale

CLOSER = 3  # a closer look: this many times finer than the survey's view, paper grain included
MOST_PAIRS = 60
MOST_SLID = 24  # pairs whose whole pictures are slid over one another, a good half second each
# Grain is finer and fainter than drawing, noise is a good part of it, and by chance it agrees less.
GRAIN = EvidenceSettings(pixel_mm=0.12, ground_mm=1.0, drawing=3.0, chance=0.05, even=0.18, bare_slope=0.0)
# Probability that a link needs which no point speaks for: of ten thousand places some fit by chance, seen up to .961.
# Cells of drawing it needs as well: a few squares of a crossword fit a few of another's to .97, and nowhere else.
SLID_LEAST, SLID_DRAWN = 0.98, 6.0
# Cells and likeness that will do where half of the patches or more come once only: no such square is in a crossword.
ONCE_DRAWN, ONCE_SCORE = 2.0, 0.93
WEAK_LEAST = 0.5  # probability that the grain must give a link


def closer_search(
    context: SurveyContext,
    layouts: Sequence[Layout],
    details: Mapping[str, Detail],
    *,
    left_out: Collection[str] = (),
) -> list[Link]:
    """Links between islands from finer views, where faint drawing and the paper's own grain show (weak links), and at
    other scales than the files' dpi say.

    Only pairs across different islands are compared, where these are too many those beside holes in the rows and
    columns of their islands, and slid in the order of what is drawn in them; pieces whose drawing repeats are only slid
    over each other, for a closer look shows the same motif again. left_out : pieces known to be something
    else, as mirrored ones, whose grain and single strokes would only fit by chance.
    """
    island = {name: k for k, layout in enumerate(layouts) for name in layout.sheet_from_tile}
    apart = {frozenset((one.a, one.b)) for one in context.hints.apart}
    repeated = repeated_in(layouts)
    sizes = {tile.name: tile.raster.shape[:2] for tile in context.tiles}
    room = {name: rank for one in layouts for name, rank in open_pieces(one.sheet_from_tile, sizes).items()}
    every = [
        (a, b)
        for a in sorted(island, key=lambda n: (-island[n], n))
        for b in sorted(island, key=lambda n: (island[n], n))
        if island[a] > island[b] and frozenset((a, b)) not in apart and not {a, b} & set(left_out)
    ]
    pairs = sorted(every, key=lambda pair: -room[pair[0]] - room[pair[1]])[:MOST_PAIRS]
    look = closer_look(context, sorted({name for pair in pairs if not repeated & set(pair) for name in pair}))
    drawn = {name: drawn_in(details[name], context.settings.evidence) for name in island}
    found, slides = [], 0
    for pair in sorted(pairs, key=lambda names: -min(drawn[name] for name in names)):
        slide = slides < MOST_SLID and min(drawn[name] for name in pair) >= ONCE_DRAWN
        if not repeated & set(pair):
            got = linked_closer(context, pair, look, details, slide=slide)
        else:
            got = _drawn_once(context, pair, details) if slide else None
        slides += slide and (got is None or got.weak)
        found.extend([got] if got is not None else [])
    return found


def closer_look(context: SurveyContext, names: Sequence[str]) -> dict[str, PieceView]:
    """Each piece at a finer view."""
    index = {tile.name: i for i, tile in enumerate(context.tiles)}
    with ThreadPoolExecutor(context.workers) as pool:
        return dict(zip(names, pool.map(lambda name: _closer(context, index[name]), names), strict=True))


def linked_closer(
    context: SurveyContext,
    names: tuple[str, str],
    look: Mapping[str, PieceView],
    details: Mapping[str, Detail],
    *,
    slide: bool = True,
) -> Link | None:
    """A link of two pieces by all means there are, or None."""
    index = {tile.name: i for i, tile in enumerate(context.tiles)}
    scale = pair_scale(context.dpi, (index[names[0]], index[names[1]]))
    plain, pair = (details[names[0]], details[names[1]]), (look[names[0]], look[names[1]])
    got = _by_grain(context, pair, plain, scale) or _at_other_scales(context, pair, plain)
    return _by_sliding(context, names, plain, scale) if got is None and slide else got


def _by_grain(
    context: SurveyContext, closer: tuple[PieceView, PieceView], plain: tuple[Detail, Detail], scale: float
) -> Link | None:
    """A link that the drawing is sure of; or a weak one that the finest marks agree on and no drawing contradicts."""
    wishes = context.settings
    one, two = closer
    settings = replace(wishes.links, cell_px=48.0, least_agreement=0.04, least_inliers=6)
    proposed = proposals(one.keypoints, two.keypoints, (one.sight, two.sight), scale, settings)
    if isinstance(proposed, NoLink):
        return None
    sure = replace(wishes.belief, least=wishes.graph.alone)
    got = believed(proposed, plain, scale, settings=sure, evidence=wishes.evidence)
    if isinstance(got, Link) and not got.ambiguous:
        return got
    grain = (one.detail, two.detail)
    got = believed(proposed, grain, scale, settings=replace(wishes.belief, least=WEAK_LEAST), evidence=GRAIN)
    if isinstance(got, NoLink):
        return None
    drawn = compare(got.b_from_a, plain, wishes.evidence)
    if drawn.amount > 1:
        return replace(got, weak=True) if probability(drawn, wishes.evidence) >= WEAK_LEAST else None
    # faint marks alone, which agree as well elsewhere, are no link
    return None if got.rival > wishes.belief.rival else replace(got, weak=True)


def _by_sliding(
    context: SurveyContext, names: tuple[str, str], plain: tuple[Detail, Detail], scale: float
) -> Link | None:
    """A link found without points, by sliding whole pictures; it must be sure by itself."""
    wishes = context.settings
    tried = [aligned(motion, plain, wishes.evidence, rough=True) for motion in slid(plain, scale, SlidingSettings())]
    motion, seen = max(tried, key=lambda one: probability(one[1], wishes.evidence))
    chance = probability(seen, wishes.evidence)
    if chance < SLID_LEAST or not tells(motion, seen, plain):
        return None
    return link_by_cells(names, motion, seen, float(plain[0].strokes.step), chance=chance)


def tells(motion: Array, seen: Evidence, plain: tuple[Detail, Detail]) -> bool:
    """True where as much is drawn as chance does not make alike, or less of it that mostly comes once only."""
    if seen.strong >= SLID_DRAWN:
        return True
    if seen.strong < ONCE_DRAWN or seen.score < ONCE_SCORE:
        return False
    patches, once = drawn_once(motion, plain, TwinSettings())
    return once > 0 and 2 * once >= patches


def _drawn_once(context: SurveyContext, names: tuple[str, str], details: Mapping[str, Detail]) -> Link | None:
    """A link of two pieces whose drawing repeats, where one place of all is the true one by far; or None."""
    index = {tile.name: i for i, tile in enumerate(context.tiles)}
    scale = pair_scale(context.dpi, (index[names[0]], index[names[1]]))
    plain, wishes = (details[names[0]], details[names[1]]), context.settings
    motion, seen = once_alike(plain, scale, settings=wishes.belief, evidence=wishes.evidence)
    if seen is None or (chance := probability(seen, wishes.evidence)) < SLID_LEAST:
        return None
    return link_by_cells(names, motion, seen, float(plain[0].strokes.step), chance=chance)


def _at_other_scales(
    context: SurveyContext, closer: tuple[PieceView, PieceView], plain: tuple[Detail, Detail]
) -> Link | None:
    """A link although the declared dpi is wrong; sure by itself, for nothing else tells the scale."""
    one, two = closer
    views = replace(one, detail=plain[0]), replace(two, detail=plain[1])
    strict = replace(context.settings.links, least_agreement=0.3, least_inliers=30)
    for scale in scales_seen(one.keypoints, two.keypoints, context.settings.links):
        free = replace(context.settings.belief, least=context.settings.graph.alone, other_scale=0.0)
        got = judged_link(views, scale, strict, belief=free, evidence=context.settings.evidence)
        if isinstance(got, Link):
            return got
    return None


def demand_whole(
    layouts: Sequence[Layout],
    no_links: Sequence[NoLink],
    names: Sequence[str],
    *,
    allow_missing: bool,
    bare: Collection[str] = (),
    why: Callable[[], Sequence[str]] = tuple,
    lines: Callable[[], Sequence[str]] = tuple,
) -> tuple[Layout, list[str]]:
    """The one layout; or, when there are more, the largest with a warning, or an error.

    bare : pieces that show nothing but paper: nothing tells where they lie, and without them nothing drawn is lost.
    why : called only when there are several; sentences, without full stops, that tell why. lines : the same, of hints
    that would mend it.

    Raises
    ------
    Disconnected : more than one island and not allow_missing.
    """
    if len(layouts) == 1:
        return layouts[0], []
    main, rest = layouts[0], layouts[1:]
    left = {name for layout in rest for name in layout.sheet_from_tile}
    if left <= set(bare) and len(main.sheet_from_tile) > 1:
        return main, [_bare_words(sorted(left))]
    single = [next(iter(layout.sheet_from_tile)) for layout in rest if len(layout.sheet_from_tile) == 1]
    groups = [sorted(layout.sheet_from_tile) for layout in rest if len(layout.sheet_from_tile) > 1]
    repeated = repeated_in(layouts)
    words = [_repeats(repeated)] if repeated else list(why())
    words += [_tried(name, no_links, main) for name in single if name not in repeated and name not in bare]
    words += [f"{name} is nearly of one tone, as bare paper is" for name in single if name in bare]
    if allow_missing:
        missing = [*single, *[name for group in groups for name in group]]
        return main, [". ".join([f"left out, not placed: {', '.join(missing)}", *words])]
    raise _error(main, single, groups, (words, lines()), len(names), repeated=bool(repeated))


def _error(
    main: Layout,
    single: Sequence[str],
    groups: Sequence[Sequence[str]],
    said: tuple[Sequence[str], Sequence[str]],
    total: int,
    *,
    repeated: bool,
) -> Disconnected:
    parts = []
    if len(main.sheet_from_tile) == 1 and not groups and not repeated:
        parts.append(f"none of the {total} pieces overlaps another so that it can be seen")
    elif groups:
        shown = [sorted(main.sheet_from_tile), *groups]
        listed = "; ".join(f"group {k}: {', '.join(group)}" for k, group in enumerate(shown, start=1))
        parts.append(f"{len(shown)} groups of pieces that do not hang together ({listed})")
    if single and len(main.sheet_from_tile) > 1:
        parts.append(f"{len(single)} of {total} pieces could not be placed: {', '.join(single)}")
    parts.extend(said[0])
    return Disconnected(
        ". ".join(parts),
        expected="pieces of one sheet, each sharing at least about a fifth of its picture with a neighbor",
        attempt="join each group alone if these are different sheets; otherwise scan the named pieces again with more "
        "overlap (30 mm or more, with some drawing in it), or add a piece that bridges the gap; "
        "--allow-missing writes the largest group without them",
        lines=tuple(said[1]),
    )


def _bare_words(names: Sequence[str]) -> str:
    many = len(names) > 1
    return (
        f"left out, for nothing but paper is to be seen on {'them' if many else 'it'} and so nothing tells where "
        f"{'they lie' if many else 'it lies'}: {', '.join(names)}. A hint that says where (beside) puts "
        f"{'them' if many else 'it'} on the canvas"
    )


def _repeats(names: Collection[str]) -> str:
    return (
        f"{', '.join(sorted(names))} show what is drawn several times on the sheet and fit at several places; a scan "
        "with something in the overlap that is drawn once would tell which"
    )


def _tried(name: str, no_links: Sequence[NoLink], main: Layout) -> str:
    """What was tried for one piece, the neighbor first that came nearest; no full stop."""
    mine = [n for n in no_links if name in (n.a, n.b)]
    mine.sort(key=lambda n: (-n.probability, -n.tried, n.a, n.b))
    if not mine:
        return f"{name} matched neighbors only in ways that contradict the other pieces"
    tries = [f"{n.b if n.a == name else n.a} ({n.reason}, {n.tried} candidate matches)" for n in mine[:3]]
    return f"{name} was tried with {', '.join(tries)}" + (f" and {len(mine) - 3} more" if len(mine) > 3 else "")


def _closer(context: SurveyContext, index: int) -> PieceView:
    tile = context.tiles[index]
    side = CLOSER * context.settings.features.view_side
    reduction = max(1, round(max(tile.raster.shape[:2]) / side))
    view = context.shelf.view(tile, reduction)
    settings = replace(context.settings.features, most=9000, contrast_floor=1.0)
    gray = gray_of(view)
    times = max(1, round(max(gray.shape) / 1100))
    size = (max(1, round(gray.shape[1] / times)), max(1, round(gray.shape[0] / times)))
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    sight = Sight(evened(small, 10.0, 0.5), float(reduction * gray.shape[1] / small.shape[1]))
    detail = detail_of(gray, reduction, float(context.px_per_mm[index]), GRAIN)
    return PieceView(detect(tile.name, view, reduction, settings), sight, detail)
