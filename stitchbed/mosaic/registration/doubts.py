"""I hold what came out as no bed or paper is, and say what is doubtful about measured places.

In: first places and ties; a solved alignment. Out: the alignment; warnings that name the pieces that hang by little,
bend, or still are as no bed or paper is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from stitchbed.core.arrays import Array, Mask
from stitchbed.core.quantities import two_digits
from stitchbed.mosaic.registration.bundle_adjustment import Alignment, adjust_bundle, determined, ruled_out
from stitchbed.mosaic.registration.holding import HoldSettings, held_words
from stitchbed.mosaic.registration.placement import Placement, to_sheet
from stitchbed.mosaic.registration.residual_warp import FoldSettings
from stitchbed.mosaic.registration.scanner_bed import BedSettings, with_finer_knots
from stitchbed.mosaic.registration.tie_points import Ties, chosen
from stitchbed.mosaic.registration.unknowns import (
    PER_TILE,
    AlignmentSettings,
    Frame,
    axes_shown,
    middles,
    strain_of_pieces,
    turn_and_stretch,
)

MOST_SIGMAS = 10.0  # a bed's axis farther from its prior says that the model is wrong, not the bed
MOST_STRETCH = 0.004  # share, one way against the other; paper from a dry room to a moist one stretches by less
RARE_STRETCH = 0.002  # and by less than this in one room; what is more must be shown by the overlaps
NO_STRETCH = 0.0005  # five times what a sheet that lies in one room does
# Half of what the fit's chi square must fall by per unknown that nearer knots let the ties determine: .75 to .95 where
# a head steps by .6 to .9 px, 0 to .2 where it does not (measured on 8 sets).
LEAST_GAIN = 0.5
MOST_TRIED = 6  # pieces each of which may be the only one that stretched
CORRELATED = 0.3  # neighboring ties err alike; each counts as this share of one
ACROSS, ALONG = 2, 1  # numbers of a bed's splines x(u) and y(v)
LEAST_BOW = 0.001  # share by which the ends of a bed differ, under which what it hides is less than is told anyway
# Rivals that put places farther apart are named: up to .22 mm where nothing stretched, .3 to .8 mm where rows had.
RIVAL_MM = 0.25
# By how much less likely all must be without a row that stretched by what paper may: 2 to 9 by chance, 18 to 270 where
# one had; a row that stretched by more must show so much more.
UNEVEN = 12.0
# By how much heads may wave more than expected; waves seen in narrow overlaps only look as if a row had stretched.
WAVES = (1.0, 2.0, 3.0)
ALIKE = 2  # pieces that stretched, from which on it may as well be all others: one alone is by itself
BY_CHANCE = 3.9  # half of the chi square that three unknowns (size, stretch, skew) exceed by chance in one of 20 cases


@dataclass(frozen=True)
class Given:
    """What places are solved from, as `adjust_bundle` takes it: first places, ties (the last `known` of them not
    measured), what is told of the tiles, what is expected of pieces and of beds."""

    places: Sequence[Placement]
    ties: Ties
    frame: Frame
    settings: AlignmentSettings
    bed: BedSettings
    known: int = 0

    def solved(self, **expected: Any) -> Alignment:
        """The alignment. expected : fields of `settings` that are otherwise."""
        settings = replace(self.settings, **expected)
        return adjust_bundle(self.places, self.ties, self.frame, settings, self.bed, known=self.known)


def solve_as_fine_as_shown(given: Given) -> tuple[Alignment, BedSettings]:
    """`solve_within_reason` with knots along the travel as near as the ties carry, and the bed's settings it is by.

    A head that steps shows as a fit that gains by nearer knots far more than unknowns gain by noise; where it does not,
    nearer knots only follow noise.
    """
    found = solve_within_reason(given)
    if not found.system.columns.solved:
        return found, given.bed
    finer = replace(given, bed=with_finer_knots(given.bed))
    tried, cauchy = solve_within_reason(finer), given.settings.cauchy
    gained = _misfit(found, cauchy) - _misfit(tried, cauchy)
    more = determined(tried.system, CORRELATED) - determined(found.system, CORRELATED)
    found, given = (tried, finer) if gained > LEAST_GAIN * more else (found, given)
    return _or_all_others(_or_stretched_rows(found, given)), given.bed


def _or_all_others(found: Alignment) -> Alignment:
    """`found`, and where several pieces stretched, the rival that it is all others that did."""
    others = _all_others(found.placements)
    return replace(found, rivals=(*found.rivals, others), uneven=True) if others else found


def _all_others(places: Sequence[Placement]) -> tuple[Placement, ...]:
    """Where several pieces stretched, the places if these lie true: the overlaps show by how much the ones differ from
    the others only, and one day's scans stretch alike. Else none."""
    stretched = [place for place in places if _longer([place])[place.tile] > RARE_STRETCH]
    if len(stretched) < ALIKE:
        return ()
    true, others = np.linalg.inv(np.mean([_grown(place) for place in stretched], axis=0)), []
    for place in places:
        matrix = place.sheet_from_tile.copy()
        matrix[:2] = true @ matrix[:2]
        others.append(replace(place, sheet_from_tile=matrix))
    return tuple(others)


def _grown(place: Placement) -> Array:
    """(2, 2) by what a piece is longer one way than the other, along x and y of the sheet."""
    size, turn = turn_and_stretch(place.sheet_from_tile)[:2]
    back = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    result: Array = place.sheet_from_tile[:2, :2] @ back / size
    return result


def _or_stretched_rows(found: Alignment, given: Given) -> Alignment:
    """`found`, with more rivals where its bed bows so that a row of pieces that stretched alike would look the same.

    The far end of one row is seen beside the near end of the next only: that paper became longer there or that the
    head's way bows shows as one and the same, and the bow is what the alignment takes it for.
    """
    if axes_shown(found.placements):
        return found
    rivals, uneven, cauchy = [], found.uneven, given.settings.cauchy
    for axis, spline in ((0, ACROSS), (1, ALONG)):
        if _bow(found, axis) < LEAST_BOW:
            continue
        even = replace(given, bed=replace(given.bed, no_bows=(spline,)))
        ways: list[dict[str, Any]] = [{"free_stretch": row, "far_stretch": ()} for row in _two_rows(found, axis)]
        most = _misfit(found, cauchy) + BY_CHANCE * len(given.places)
        tried = [(even.solved(**way), way) for way in (*ways, {})]
        fitting = [(one, way) for one, way in tried if _misfit(one, cauchy) < most]
        rivals += [one.placements for one, _ in fitting]
        rivals += [_all_others(one.placements) for one, way in fitting if not way]
        if fitting and not uneven:
            likeliest, stretch = min((_unlikely(one, even, **way), _most(one)) for one, way in fitting)
            uneven = _neither(even, spline) - likeliest > UNEVEN * max(1.0, stretch / MOST_STRETCH) ** 2
    return replace(found, rivals=(*found.rivals, *filter(None, rivals)), uneven=uneven)


def _neither(even: Given, spline: int) -> float:
    """How unlikely it is that no row stretched and the bed does not bow: that the head waves remains."""
    waving = [
        replace(even, bed=replace(even.bed, head_waves=waves)) for waves in WAVES[: None if spline == ALONG else 1]
    ]
    return min(_unlikely(one.solved(far_stretch=()), one, far_stretch=()) for one in waving)


def _bow(found: Alignment, axis: int) -> float:
    """By what share the last quarter of a bed is longer or shorter than its first one, the most of all beds."""
    most = 0.0
    for bed in found.beds.values():
        shift = bed.warp.shift
        way = shift[shift.shape[0] // 2, :, 0] if axis == 0 else shift[:, shift.shape[1] // 2, 1]
        end = max(2, len(way) // 4)
        first, last = (np.polyfit(np.arange(end), one, 1)[0] for one in (way[:end], way[-end:]))
        most = max(most, abs(float(last - first)) / bed.warp.spacing)
    return most


def _two_rows(found: Alignment, axis: int) -> list[tuple[int, ...]]:
    """Indices of the pieces on either side of the widest gap between middles, along x (axis 0) or y of the pieces."""
    turn = turn_and_stretch(found.placements[0].sheet_from_tile)[1]
    way = np.array([np.cos(turn), np.sin(turn)] if axis == 0 else [-np.sin(turn), np.cos(turn)])
    at = np.array([to_sheet(p, m[None])[0] @ way for p, m in zip(found.placements, middles(found.placements))])
    order = np.argsort(at, kind="stable")
    gap = int(np.argmax(np.diff(at[order]))) + 1
    return [tuple(int(i) for i in row) for row in (order[:gap], order[gap:])]


def solve_within_reason(given: Given) -> Alignment:
    """All tiles at once (`adjust_bundle`), but axes no bed has are held, and so are stretches that paper rarely has
    where the overlaps fit as well without: an error of the bed that repeats can look like a stretch of one piece."""
    found = given.solved()
    if beyond_prior(found, given.bed):
        given = replace(given, settings=replace(given.settings, solve_axes=False))
        found = given.solved()
    strange = _stretched(found, RARE_STRETCH)
    if not strange:
        return found

    def with_only(stretched: tuple[int, ...]) -> tuple[float, Alignment]:
        tried, cauchy = given.solved(far_stretch=stretched), given.settings.cauchy
        return _misfit(tried, cauchy) - _misfit(found, cauchy), tried

    worse, held = with_only(())
    if worse < BY_CHANCE * len(strange) and _all_stretch(held) < _all_stretch(found) / 2:
        return held  # else it only shares out what the ties show all the same
    one_only = [(i, *with_only((i,))) for i in _may_be_it(given.places, given.ties, strange)]
    alone = [(worse, one) for i, worse, one in one_only if _is_alone(one, i)]
    return _as_few(found, [(worse, one) for worse, one in alone if worse < BY_CHANCE * len(strange)])


def _may_be_it(places: Sequence[Placement], ties: Ties, strange: Mapping[str, float]) -> list[int]:
    """Pieces one of which may be the only one that stretched: the most `strange`, and those that overlap with it."""
    names = [place.tile for place in places]
    most = names.index(max(strange, key=lambda tile: strange[tile]))
    met = np.bincount(np.r_[ties.b[ties.a == most], ties.a[ties.b == most]], minlength=len(names))
    return [most, *(int(i) for i in np.argsort(-met, kind="stable")[: MOST_TRIED - 1] if met[i])]


def _is_alone(tried: Alignment, index: int) -> bool:
    """Whether a piece stretched and no other did: where several have, one alone leaves their stretch to all others."""
    longer = list(_longer(tried.placements).values())
    return max([0.0, *longer[:index], *longer[index + 1 :]]) < NO_STRETCH


def _as_few(found: Alignment, fitting: Sequence[tuple[float, Alignment]]) -> Alignment:
    """The alignment with one stretched piece alone, where that fits as well (by how much worse, each); and as rivals
    what fits as well with another: two pieces show only by how much more the one stretched than the other."""
    if not fitting:
        return found
    ordered = sorted(fitting, key=lambda one: one[0])
    alike = [one for worse, one in ordered if worse < ordered[0][0] + BY_CHANCE]
    return replace(alike[0], rivals=tuple(one.placements for one in alike[1:]), uneven=True)


def _unlikely(found: Alignment, given: Given, **expected: Any) -> float:
    """`_misfit`, by how much beds and pieces are off what is expected of them, and how much of what was expected of
    beds the ties rule out, which is more where more was: minus the log of its likelihood, but for what all share.
    expected : as of `Given.solved`. Reference: as of `determined`."""
    system, settings = found.system, replace(given.settings, **expected)
    own = slice(PER_TILE * system.columns.tiles, None)
    bends = system.solution[own]
    strain = float(bends @ system.of_priors[own, own] @ bends) / 2
    strain += strain_of_pieces(found.placements, given.frame, settings)
    return _misfit(found, settings.cauchy) + strain + ruled_out(system, CORRELATED)


def _misfit(found: Alignment, cauchy: float) -> float:
    """Half of the sum of squares that ties miss by, in sigmas, by the robust loss; neighboring ties count as few."""
    return -CORRELATED * cauchy**2 / 2 * float(np.log(found.weight).sum())


def doubts(
    solved: Alignment,
    ties: Ties,
    px_per_mm: Array,
    *,
    loose: Sequence[int],
    off_mm: Array,
    rival_mm: Array,
    flat: Mask,
    folded: Mask,
    settings: tuple[HoldSettings, FoldSettings],
) -> list[str]:
    """Warnings. loose : pieces held by the layout only. off_mm : (T,) how far off each piece may be. rival_mm : how far
    apart each of the rivals puts places. flat, folded : (N,) ties where no sheet lifts, at folds."""
    names = [place.tile for place in solved.placements]
    return [
        *held_words(names, (chosen(ties, flat), chosen(ties, ~flat)), loose, off_mm, settings[0]),
        *_fold_words(names, chosen(ties, folded), px_per_mm, settings[1]),
        *_stretch_words(solved),
        *_rival_words(solved, rival_mm),
        *_axes_words(solved),
    ]


def beyond_prior(solved: Alignment, settings: BedSettings) -> bool:
    """True when a bed's solved axes are so far from what beds are that they must stand for something else."""
    off = [value for bed in solved.beds.values() for value in (bed.axis_ratio - 1, bed.shear_rad)]
    return bool(np.abs(off).max(initial=0) > MOST_SIGMAS * settings.axis)


def _fold_words(names: Sequence[str], folded: Ties, px_per_mm: Array, settings: FoldSettings) -> list[str]:
    """Where the paper lay otherwise in one piece than in its neighbor."""
    index, xy = np.concatenate([folded.a, folded.b]), np.concatenate([folded.xy_a, folded.xy_b])
    places = []
    for i in np.unique(index):
        if (index == i).sum() >= settings.least_ties:
            x, y = np.median(xy[index == i], axis=0) / px_per_mm[i]
            places.append(f"{names[int(i)]} (near {x:.0f} mm from its left, {y:.0f} mm from its top)")
    if not places:
        return []
    return [
        f"the paper lay otherwise in one scan than in the next, as at a fold or a crease: {', '.join(places)}. It was "
        "bent to meet half the way, so shapes may be off there; pressing the sheet flat and scanning again mends it"
    ]


def _stretch_words(solved: Alignment) -> list[str]:
    beyond = _stretched(solved, MOST_STRETCH)
    if not beyond:
        return []
    strange = ", ".join(f"{name} ({100 * share:.1f} %)" for name, share in beyond.items())
    alone = [tiles for tiles, _ in map(_most_stretched, solved.rivals) if len(tiles) == 1]
    likely = dict.fromkeys(tiles[0] for tiles in alone)
    others = [name for name in likely if name not in beyond]
    instead = f", or {' or '.join(others)} instead, which fits as well" if others else ""
    return [f"stretched more than paper does: {strange}{instead}; something else is wrong there, look at its seams"]


def _rival_words(solved: Alignment, rival_mm: Array) -> list[str]:
    """What may have stretched as well as what was taken for it, where overlaps show that something did, and where that
    matters to a person."""
    far = [_most_stretched(one) for one, apart in zip(solved.rivals, rival_mm, strict=True) if apart > RIVAL_MM]
    taken = _stretched(solved, RARE_STRETCH)
    if not solved.uneven or not far or (_stretched(solved, MOST_STRETCH) and all(len(tiles) == 1 for tiles, _ in far)):
        return []  # or of single pieces that are told already
    rows = [", ".join(taken)] if taken else []
    rows += [f"{', '.join(tiles)} ({100 * most:.1f} %)" for tiles, most in far]
    either = " or instead of ".join(dict.fromkeys(rows))
    return [
        f"the paper of {either} may have stretched, or the scanner's scale changes over its glass: the overlaps do not "
        f"show which, and places may be off by {two_digits(float(rival_mm.max()))} mm for it. One of these pieces "
        "scanned once more, turned by a quarter, shows it"
    ]


def _most_stretched(places: Sequence[Placement]) -> tuple[list[str], float]:
    """Pieces that stretched by more than half of what any did, and what that is."""
    longer = _longer(places)
    most = max(longer.values())
    return [tile for tile, share in longer.items() if share > most / 2], most


def _stretched(solved: Alignment, most: float) -> dict[str, float]:
    """Pieces longer one way than the other by a share of more than `most`, and by which."""
    return {tile: share for tile, share in _longer(solved.placements).items() if share > most}


def _longer(places: Sequence[Placement]) -> dict[str, float]:
    """By what share each piece is longer one way than the other."""
    return {place.tile: 2 * float(np.hypot(*turn_and_stretch(place.sheet_from_tile)[2:])) for place in places}


def _most(solved: Alignment) -> float:
    return max(_longer(solved.placements).values())


def _all_stretch(solved: Alignment) -> float:
    return sum(_stretched(solved, 0.0).values())


def _axes_words(solved: Alignment) -> list[str]:
    """A bed whose axes turned pieces show, yet were held, for they came out as no bed is."""
    columns = solved.system.columns
    held = [g for g in columns.solved if columns.beds[g][0] in columns.axes]
    if not held or not axes_shown(solved.placements):
        return []
    return [
        "the pieces turned by a quarter and the others do not fit by any axes a scanner has; the axes were left as "
        "they are. Look at the seams of the turned pieces"
    ]
