"""I lay the pieces out by their links, ask every overlap that this implies, and tell what was not believed.

In: links, hints and what was seen of each piece. Out: one layout of all pieces and words, or an error.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, product
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.core.quantities import MM_PER_INCH, two_digits
from stitchbed.matching.overlap_evidence import Detail, Evidence, EvidenceSettings, compare
from stitchbed.matching.similarity_links import Link, NoLink
from stitchbed.mosaic.compositing.plan import Plan
from stitchbed.mosaic.compositing.told_changes import ChangedPlace
from stitchbed.mosaic.hints.effects import contradicted, effect_rows
from stitchbed.mosaic.hints.following import Followed, Pieces, follow, given_back
from stitchbed.mosaic.hints.hints import Hints
from stitchbed.mosaic.hints.proposing import hint_lines
from stitchbed.mosaic.islands.groups import Compared, all_joined
from stitchbed.mosaic.islands.last_hole import LaidByGrid, in_the_last_hole
from stitchbed.mosaic.islands.two_drawings import told_apart
from stitchbed.mosaic.islands.two_sheets import TwoSheetsSettings, two_sheets
from stitchbed.mosaic.islands.unlike_places import unlike_places, unlike_words
from stitchbed.mosaic.linking.pose_graph import COPY, REPEATED, Layout, bridges, lay_out, seen_from, without
from stitchbed.mosaic.registration.relief import turned_apart
from stitchbed.mosaic.survey.apart import bare_pieces, mirrored, why_apart
from stitchbed.mosaic.survey.components import closer_look, closer_search, demand_whole, linked_closer
from stitchbed.mosaic.survey.context import SurveyContext
from stitchbed.mosaic.survey.implied_overlaps import doubted, held_by_motifs, left_quarrels, seen_there, settled, shared
from stitchbed.mosaic.survey.judgment import PieceView, checked_alone
from stitchbed.mosaic.survey.preview import Preview, details_of

SAME = 0.95  # share of both pieces that duplicates have in common


@dataclass(frozen=True)
class Laid:
    """layouts : islands, the largest first. effects : what each hint changed, see `effect_rows`. mirrored : pieces that
    fit when flipped left to right. by_grid : the piece that only the grid of the others places."""

    layouts: tuple[Layout, ...]
    effects: tuple[dict[str, Any], ...] = ()
    mirrored: tuple[str, ...] = ()
    by_grid: LaidByGrid | None = None


def lay_pieces(context: SurveyContext, previews: Sequence[PieceView], links: Sequence[Link]) -> Laid:
    """All pieces laid out by their links and what a person said of them, after a second look where needed."""
    pieces = _pieces(context, previews)
    hints = context.hints
    links, copies = told_apart(links, context.settings.belief.twice)
    before = pieces.laid(links) if hints != Hints() else []
    state = follow(hints, links, pieces) if hints != Hints() else Followed(tuple(links))
    layouts = pieces.laid(state.links)
    if len(layouts) > max(1, len(before)) and state.cut:
        state = given_back(state, hints.apart)
        layouts = pieces.laid(state.links)
    layouts = _with_dropped(layouts, [(item, COPY) for item in copies])
    layouts = _each_checked(context, pieces, layouts)
    flipped: Sequence[str] = ()
    if len(layouts) > 1:
        flipped = mirrored(context, previews, layouts)
        weak = closer_search(context, layouts, pieces.details, left_out=flipped)
        known = [item for layout in layouts for item in layout.links]
        dropped = [item for layout in layouts for item in layout.dropped]
        layouts = _each_checked(context, pieces, _relaid(pieces, [*known, *weak], dropped)) if weak else layouts
        layouts = _groups_joined(context, pieces, layouts)
        fit = {name for one in layouts if not set(one.sheet_from_tile) <= set(flipped) for name in one.sheet_from_tile}
        flipped = [name for name in flipped if name not in fit]
    parted = _motifs_parted(context, pieces, layouts)
    layouts = _groups_joined(context, pieces, parted) if len(parted) > len(layouts) else layouts
    by_grid = None if flipped or hints.apart else in_the_last_hole(layouts, _compared(context, pieces))
    if by_grid is not None:
        known = [item for layout in layouts for item in layout.links]
        layouts = _relaid(pieces, [*known, by_grid.link], [item for layout in layouts for item in layout.dropped])
    effects = effect_rows(state.told, before, layouts, pieces)
    return Laid(tuple(_anchored(layout, hints) for layout in layouts), tuple(effects), tuple(flipped), by_grid)


def _each_checked(context: SurveyContext, pieces: Pieces, layouts: list[Layout]) -> list[Layout]:
    """The layouts as they are when links that no loop checks are checked by themselves; what was said is not."""
    wishes = context.settings

    def check(item: Link) -> Link:
        details = pieces.details[item.a], pieces.details[item.b]
        return checked_alone(item, details, settings=wishes.belief, evidence=wishes.evidence)

    asked = [item for layout in layouts for item in bridges(layout) if not (item.said or item.loose_mm)]
    with ThreadPoolExecutor(context.workers) as pool:
        checked = {id(item): new for item, new in zip(asked, pool.map(check, asked), strict=True) if new is not item}
    if not checked:
        return layouts
    known = [checked.get(id(item), item) for layout in layouts for item in layout.links]
    return _relaid(pieces, known, [item for layout in layouts for item in layout.dropped])


def _groups_joined(context: SurveyContext, pieces: Pieces, layouts: list[Layout]) -> list[Layout]:
    """The layouts with groups joined for which all that they would share speaks."""
    apart = frozenset(name for one in context.hints.apart for name in (one.a, one.b))

    def relaid(links: Sequence[Link], dropped: Sequence[tuple[Link, str]]) -> list[Layout]:
        return _each_checked(context, pieces, _relaid(pieces, links, dropped))

    return all_joined(layouts, _compared(context, pieces), relaid, apart)


def _compared(context: SurveyContext, pieces: Pieces) -> Compared:
    wishes = context.settings
    return Compared(pieces.sizes, pieces.details, pieces.dpi, wishes.belief, wishes.evidence)


def _motifs_parted(context: SurveyContext, pieces: Pieces, layouts: list[Layout]) -> list[Layout]:
    """The layouts without links that only a few motifs hold which are drawn several times."""
    parted: list[Layout] = []
    for layout in layouts:
        cut = held_by_motifs(layout, pieces.sizes, pieces.details, context.settings.belief)
        parted += without(layout, cut, REPEATED, pieces.sizes) if cut else [layout]
    return sorted(parted, key=lambda one: -len(one.sheet_from_tile))


def _relaid(pieces: Pieces, links: Sequence[Link], dropped: Sequence[tuple[Link, str]]) -> list[Layout]:
    """Links laid out again, with what was dropped before."""
    return _with_dropped(pieces.laid(links), dropped)


def _with_dropped(layouts: Sequence[Layout], dropped: Sequence[tuple[Link, str]]) -> list[Layout]:
    """The layouts with more links that were not believed; the first one tells of them."""
    return [replace(layouts[0], dropped=(*layouts[0].dropped, *dropped)), *layouts[1:]]


def _pieces(context: SurveyContext, previews: Sequence[PieceView]) -> Pieces:
    """What hints are judged by."""
    sizes = {tile.name: tile.raster.shape[:2] for tile in context.tiles}
    details = details_of(previews)
    dpi = {tile.name: float(dpi) for tile, dpi in zip(context.tiles, context.dpi, strict=True)}
    looks: dict[str, PieceView] = {}

    def laid(known: Sequence[Link]) -> list[Layout]:
        rng = np.random.default_rng(context.settings.seed)  # anew, so that no hint changes what others are laid by
        parts = lay_out(sizes, known, context.settings.graph, rng)
        checked = [settled(part, sizes, details, context.settings.evidence) for part in parts]
        return sorted((one for some in checked for one in some), key=lambda one: -len(one.sheet_from_tile))

    def closer(a: str, b: str) -> Link | None:
        looks.update(closer_look(context, [name for name in (a, b) if name not in looks]))
        return linked_closer(context, (a, b), looks, details)

    recorded = context.recorded.places if context.recorded is not None else {}
    return Pieces(sizes, details, dpi, context.settings.evidence, laid, closer, recorded)


def _anchored(layout: Layout, hints: Hints) -> Layout:
    """The same with a held piece as its reference."""
    held = [one.piece for one in hints.hold if one.piece in layout.sheet_from_tile]
    if not held or layout.reference in held:
        return layout
    return replace(layout, reference=held[0], sheet_from_tile=seen_from(held[0], layout.sheet_from_tile))


def one_layout(
    context: SurveyContext, previews: Sequence[Preview], laid: Laid, no_links: Sequence[NoLink]
) -> tuple[Layout, list[str]]:
    """The one island all tiles belong to, and words on it.

    Raises
    ------
    Disconnected : see `demand_whole`.
    """
    names = [tile.name for tile in context.tiles]
    layout, warnings = demand_whole(
        laid.layouts,
        no_links,
        names,
        allow_missing=context.settings.allow_missing,
        bare=bare_pieces(previews) if len(laid.layouts) > 1 else (),
        why=lambda: [*contradicted(laid.effects), *why_apart(context, previews, laid.layouts, laid.mirrored)],
        lines=partial(hint_lines, laid.layouts, no_links, _pieces(context, previews)),
    )
    sizes = {tile.name: tile.raster.shape[:2] for tile in context.tiles}
    placed = laid.by_grid is not None and laid.by_grid.piece in layout.sheet_from_tile
    words = [laid.by_grid.words] if laid.by_grid is not None and placed else []
    faint = faint_words(layout, details_of(previews), context.settings.evidence)
    return layout, [*warnings, *words, *contradicted(laid.effects), *link_words(layout, sizes), *faint]


def faint_words(layout: Layout, details: Mapping[str, Detail], settings: EvidenceSettings) -> list[str]:
    """What to look at where nothing but faint marks tells that two pieces belong together, and no third piece does:
    blank forms, ruled or printed paper under two drawings show the same."""
    asked = [item for item in bridges(layout) if not (item.weak or item.said or item.loose_mm)]
    alone = [
        f"{item.a} - {item.b}"
        for item in asked
        if compare(item.b_from_a, (details[item.a], details[item.b]), settings).strong == 0
    ]
    if not alone:
        return []
    return [
        f"held together by faint marks alone, as two sheets of one printed paper share them too: {', '.join(alone)}. "
        "Look at these seams"
    ]


def link_words(layout: Layout, sizes: Mapping[str, tuple[int, int]]) -> list[str]:
    """What a layout hangs by that should be looked at, what was not believed, and what it holds twice."""
    words = []
    grain = [f"{item.a} - {item.b}" for item in layout.links if item.weak and not (item.by_cells or item.loose_mm)]
    if grain:
        words.append(f"weak links, found by faint marks or paper grain only: {', '.join(grain)}. Look at these seams")
    cells = [f"{item.a} - {item.b}" for item in layout.links if item.weak and item.by_cells]
    if cells:
        words.append(f"links found by whole pictures, no points tell: {', '.join(cells)}. Look at these seams")
    slips = [f"{item.a} - {item.b} ({two_digits(item.slip_mm)} mm)" for item in layout.links if item.slip_mm]
    if slips:
        words.append(
            f"fine lines in what two pieces share fit as well farther aside, one line or more: {', '.join(slips)}. "
            "Look at these seams; more overlap, with something in it that crosses the lines, would tell"
        )
    placed, linked = set(layout.sheet_from_tile), {frozenset((item.a, item.b)) for item in layout.links}
    left = [(item, why) for item, why in layout.dropped if {item.a, item.b} <= placed]
    dropped: dict[str, set[str]] = {}
    for item, why in left:
        if frozenset((item.a, item.b)) not in linked:
            dropped.setdefault(why, set()).add(f"{item.a} - {item.b}")
    if dropped:
        told = [f"{', '.join(sorted(listed))} ({why})" for why, listed in sorted(dropped.items())]
        words.append(f"looked alike, but were not believed: {'; '.join(told)}")
    places = layout.sheet_from_tile
    pairs = [pair for pair in combinations(sorted(places), 2) if shared(places, sizes, *pair, larger=True) > SAME]
    words += [
        f"{a} and {b} show the same part of the sheet, one of them is enough; or what they show is drawn twice, as in "
        "a mirrored ornament: then they do not belong on each other"
        for a, b in pairs
    ]
    return words


def seen_at_last(context: SurveyContext, previews: Sequence[Preview], plan: Plan) -> dict[tuple[str, str], Evidence]:
    """What pairs of pieces show that lie on each other in the finished layout."""
    places = {place.tile: place.sheet_from_tile for place in plan.places}
    sizes = {place.tile: place.size for place in plan.places}
    evidence = context.settings.evidence
    return seen_there(places, sizes, details_of(previews), evidence, workers=context.workers)


def overlap_words(context: SurveyContext, plan: Plan, seen: Mapping[tuple[str, str], Evidence]) -> list[str]:
    """Overlaps of the finished layout in which two pieces show different things, and pieces of another sheet of the
    same form. seen : see `seen_at_last`."""
    places = {place.tile: place.sheet_from_tile for place in plan.places}
    px_per_mm = plan.canvas.dpi / MM_PER_INCH
    words = []
    found = left_quarrels(seen, context.settings.evidence)
    if found:
        listed = "; ".join(doubted(one, places[one.a], px_per_mm) for one in found)
        words.append(
            f"pieces that show different things where they lie on each other: {listed}. One of them is misplaced, "
            "shows another sheet, or the sheet changed between the scans; look at these places"
        )
    apart = two_sheets(seen, places, px_per_mm, TwoSheetsSettings())
    if apart:
        words.append(two_sheets_words(apart, places))
    return words


def two_sheets_words(apart: tuple[Sequence[str], Sequence[str]], places: Mapping[str, Array]) -> str:
    """What is said of two groups of pieces that differ all over, 3x3 placements by name."""
    one, other = (", ".join(names) for names in apart)
    if all(turned_apart(places[a], places[b]) for a, b in product(*apart)):
        return (
            f"{other} and {one} were scanned turned against each other, and what they share differs here and there all "
            "over: thick paint, foil or folds look otherwise lit from another side, or they show two sheets. Look at "
            "their seams; scanning all of them the same way up tells"
        )
    return (
        f"{other} may show another sheet than {one}: what they share is printed alike but differs here and there "
        "all over, as forms do that were filled in twice. Look at their seams; join each sheet alone if they are "
        "two"
    )


def unlike_of(plan: Plan, seen: Mapping[tuple[str, str], Evidence], told: Sequence[ChangedPlace]) -> list[str]:
    """Places of the finished layout where pieces that fit show different things, besides those told already."""
    places = {place.tile: place.sheet_from_tile for place in plan.places}
    px_per_mm = plan.canvas.dpi / MM_PER_INCH
    known = [(one.x, one.y, one.width_mm * px_per_mm, one.height_mm * px_per_mm) for one in told if not one.rim]
    return unlike_words(unlike_places(seen, places, px_per_mm, known), px_per_mm)
