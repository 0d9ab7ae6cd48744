"""I find each tile's gain, offset, tone curve and shading so that overlaps agree, in linear light.

In: what the tiles see at common places. Out: a `Level` per tile. Only ratios are used and the mean of all gains stays
1, so nothing is pulled towards anything; fall-off that all scans share belongs to the bed.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.polynomial.legendre import legvander2d

from stitchbed.core.arrays import Array, Ints
from stitchbed.core.memory import late
from stitchbed.imaging.sample import sample
from stitchbed.imaging.transfer import curve_term
from stitchbed.matching.robust import CAUCHY
from stitchbed.mosaic.photometry.level_equations import (
    OWN_TERMS,
    LevelSettings,
    Pair,
    Seen,
    Unknown,
    level_order,
    logs_of,
    one_step,
    orders,
    shading_rows,
)
from stitchbed.mosaic.photometry.overlap_samples import Patches, Small

sparse, csgraph = late("scipy.sparse"), late("scipy.sparse.csgraph")

MOST_SHUT = 0.05  # share of clipped light from which a place's mean is off by about what overlaps agree to
LEAST_TOLD = 1e-3  # trust in a place that is all clipped: better than none, where no other light ties two tiles
LEAST_PLACES = 6  # from which an overlap tells two tiles' levels
FLAT_SHARE = 0.15  # of an overlap's places that must lie flat in both tiles; fewer are what is left of a lift's rims
RIM_LOSS = 0.2  # log of light that a lifted rim loses, commonly
DARKEST = 1e-3  # light under which noise and black decide, not tones
ENOUGH_OPEN = 0.2  # share of an overlap's trust that must lie on unclipped places for the clipped ones to be left out


@dataclass(frozen=True)
class Level:
    """corrected = x * exp((curve - 1) * curve_term(x)) * gain * exp(shading), x = stored_linear + offset.

    gain, offset : (c,). shading : (gh, gw) log gain on a lattice over the tile. spacing : px of the lattice. curve :
    (c,) or (1,) exponent on encoded values, 1 for none; see `curve_term`.
    """

    tile: str
    gain: Array
    offset: Array
    shading: Array
    spacing: float
    curve: Array = field(default_factory=lambda: np.ones(1))

    @property
    def plain(self) -> bool:
        """True when nothing is changed."""
        even = (self.gain == 1).all() and (self.offset == 0).all() and (self.curve == 1).all()
        return bool(even and not self.shading.any())


def leveled(level: Level, light: Array, shade: Array, mixed: Array | float = 0.0) -> Array:
    """Corrected light (N, c) of stored linear light (N, c or 1) where the log of the shading is `shade` (N, 1).

    mixed : (N, c) of means over several tones, see `overlap_samples.Small`.
    """
    found = np.maximum(light + level.offset, 0)
    found = found * np.exp((level.curve - 1) * (curve_term(found) + mixed))
    result: Array = found * level.gain * np.exp(shade)
    return result


def shade_at(level: Level, at: Array) -> Array:
    """(N, 1) log gain of a level's shading at px (N, 2) of its piece."""
    return sample(level.shading[..., None], at + 0.5 * (level.spacing - 1), level.spacing)


def leveled_at(level: Level, small: Small, at: Array) -> Array:
    """(N, c) corrected light of a piece's small picture at px (N, 2) of it."""
    light, mixed = (sample(part, at, small.cell) for part in (small.light, small.mixed))
    return leveled(level, light, shade_at(level, at), mixed)


def no_gain(name: str, channels: int) -> Level:
    """A level that changes nothing."""
    return Level(name, np.ones(channels), np.zeros(channels), np.zeros((2, 2)), 1e9)


def find_gains(
    names: Sequence[str],
    sizes: Sequence[tuple[int, int]],
    patches: Patches,
    weight: Sequence[Array],
    *,
    group: Sequence[int],
    settings: LevelSettings,
) -> tuple[list[Level], list[Array]]:
    """Solve all levels; returns them and per tile the (n, C) corrected light.

    weight : per tile (n,) 0..1 trust in what it sees (0 in lifted zones). group : bed per tile, -1 for none.
    """
    channels = patches.channels
    if not len(patches.xy):
        return [no_gain(name, channels) for name in names], [seen.light for seen in patches.seen]
    designs = [
        shading_basis(size, seen.at, settings.bed_degree) for size, seen in zip(sizes, patches.seen, strict=True)
    ]
    pairs = pairs_of(patches, weight, settings)
    tones = [patches.seen[pair.i].light[pair.at_i] for pair in pairs]
    pivot = float(curve_term(np.array(np.median(np.concatenate(tones))))) if pairs else 0.0
    shared = bed_index(group)
    shading = [shading_rows(pair, designs, shared, channels) for pair in pairs]
    none = np.zeros((len(names), channels))
    beds = np.zeros((max(shared, default=-1) + 1, designs[0][1].shape[1]))
    order = level_order(len(names), channels, beds.size, pairs)
    seen = Seen(patches, pairs, designs, shared, _tied_flat(pairs, len(names)), shading, pivot, order)
    state = _solved(Unknown(none, none, none, np.zeros((len(names), OWN_TERMS)), beds), seen, settings)
    levels = [_level(i, names[i], sizes[i], state, seen, settings) for i in range(len(names))]
    return levels, [np.exp(logs_of(state, seen, i)) for i in range(len(names))]


def _solved(state: Unknown, seen: Seen, settings: LevelSettings) -> Unknown:
    """The levels; without curves unless some piece's neighbors agree clearly better with them."""
    plain = replace(settings, solve_curves=False)
    if not settings.solve_curves:
        return _settled(state, seen, plain)
    with ThreadPoolExecutor(1) as aside:
        other = aside.submit(_settled, state, seen, plain)
        state = _settled(state, seen, settings)
        straight = other.result()
    if np.abs(state.curve).max() < settings.straight:
        return straight
    bent, even = (_disagreement(one, seen, settings) for one in (state, straight))
    curved = np.abs(state.curve).max(1) > settings.straight
    return state if (bent < settings.better * even)[curved].any() else straight


def _settled(state: Unknown, seen: Seen, settings: LevelSettings) -> Unknown:
    """Steps until nothing moves. With curves the scale of agreement starts wide: a curve puts dark places far off at
    first."""
    for step in range(settings.rounds):
        before, wide = state, 2.0 ** (4 - step) if settings.solve_curves else 1.0
        state = one_step(state, seen, replace(settings, agree=settings.agree * max(1.0, wide)))
        moves = [np.abs(a - b).max() for a, b in ((state.gain, before.gain), (state.own, before.own))]
        if wide <= 1 and max(moves) < 1e-5:
            break
    return state


def _disagreement(state: Unknown, seen: Seen, settings: LevelSettings) -> Array:
    """(T,) robust cost of what is left between each tile and its neighbors."""
    logs = [logs_of(state, seen, i) for i in range(len(state.gain))]
    cost = np.zeros(len(logs))
    for pair in seen.pairs:
        if not pair.flat:
            continue
        rest = logs[pair.i][pair.at_i] - logs[pair.j][pair.at_j]
        left = float((pair.weight * np.log1p((rest / (CAUCHY * settings.agree)) ** 2)).sum())
        cost[[pair.i, pair.j]] += left / len(rest)
    return cost


def shading_basis(size: tuple[int, int], xy: Array, degree: int) -> tuple[Array, Array]:
    """(N, 5) own terms u, v, u2, v2, uv and (N, K) Legendre products up to `degree`, on -1..1 over the tile.

    The bed's terms have no constant and no plain slopes along u or v beyond the own ones' prior.
    """
    u = 2 * xy[:, 0] / max(size[1] - 1, 1) - 1
    v = 2 * xy[:, 1] / max(size[0] - 1, 1) - 1
    own = np.column_stack([u, v, (3 * u * u - 1) / 2, (3 * v * v - 1) / 2, u * v])
    order = orders(degree)
    # numpy cannot shape the products of no points, which a piece has that shares nothing with the others
    points = (np.clip(u, -1, 1), np.clip(v, -1, 1))
    every = legvander2d(*points, [degree, degree]) if len(xy) else np.zeros((0, len(order)))
    return own, np.asarray(every[:, (order > 0) & (order <= degree)], np.float64)


def bed_index(group: Sequence[int]) -> list[int]:
    """Dense bed number per tile; beds with fewer than two tiles get none (-1)."""
    shared = [g for g in sorted(set(group)) if g >= 0 and list(group).count(g) > 1]
    return [shared.index(g) if g in shared else -1 for g in group]


def pairs_of(patches: Patches, weight: Sequence[Array], settings: LevelSettings) -> list[Pair]:
    """Every two tiles that see enough places together, thinned evenly to `most_points` places. weight : per tile (n,).

    Where hardly any place is trusted in both (see `FLAT_SHARE`) all count, next to nothing beside other ties.
    """
    found, opened = [], []
    for i, one in enumerate(patches.seen):
        for j in range(i + 1, len(patches.seen)):
            two = patches.seen[j]
            if not len(one.index) or not len(two.index) or one.index[0] > two.index[-1] or two.index[0] > one.index[-1]:
                continue
            _, at_i, at_j = np.intersect1d(one.index, two.index, assume_unique=True, return_indices=True)
            trusted = weight[i][at_i] * weight[j][at_j]
            flat = bool(np.count_nonzero(trusted) >= max(LEAST_PLACES, FLAT_SHARE * len(trusted)))
            dark = np.minimum(one.light[at_i].mean(1), two.light[at_j].mean(1))
            trusted = _raised(trusted, dark, settings) if flat else np.full(len(trusted), LEAST_TOLD)
            kept = np.flatnonzero(trusted)
            kept = kept[:: max(1, -(-len(kept) // settings.most_points))]
            at_i, at_j, dark, trusted = at_i[kept], at_j[kept], dark[kept], trusted[kept]
            if len(at_i) >= LEAST_PLACES:
                unrest = one.unrest[at_i] + two.unrest[at_j]
                calm = (1 / (1 + (unrest / 0.15) ** 2) * (dark / (dark + 0.02)) ** 2 * trusted)[:, None]
                shut = np.minimum(np.maximum(one.shut[at_i], two.shut[at_j]), 1)
                found.append(Pair(i, j, at_i, at_j, calm * ((1 - shut) ** 2 + LEAST_TOLD), flat))
                opened.append(calm * np.clip(1 - shut / MOST_SHUT, 0, 1))
    return _telling(found, opened, len(patches.seen))


def _raised(trusted: Array, light: Array, settings: LevelSettings) -> Array:
    """Trust (N,) in an overlap's places, whose least light is (N,), where all of it is small.

    Rims are trusted little because lifted paper loses `RIM_LOSS` of its light there. By how much two scans of one tone
    may differ for their exponents and blacks says how far that is a reason: on dark tones by more than that.
    """
    tone = max(float(np.median(light)), DARKEST)
    differ = np.sqrt(2) * np.hypot(settings.curve * float(curve_term(np.array(tone))), settings.offset / tone)
    share = differ**2 / (differ**2 + RIM_LOSS**2)
    result: Array = trusted / trusted.max() ** share
    return result


def _telling(pairs: Sequence[Pair], opened: Sequence[Array], tiles: int) -> list[Pair]:
    """The pairs without places where some of a channel's light is clipped in either tile.

    A clipped place says only how bright it is at least. It counts where nothing else ties two tiles' channel together,
    directly or by way of others, and the less the more of it is clipped. opened : (N, C) per pair, trust without them.
    """
    if not pairs:
        return []
    ends = np.array([(pair.i, pair.j) for pair in pairs])
    enough = np.stack(
        [part.sum(0) > ENOUGH_OPEN * pair.weight.sum(0) for pair, part in zip(pairs, opened, strict=True)]
    )
    held = np.empty_like(enough)
    for channel, shown in enumerate(enough.T):
        group = _tied(ends[shown], tiles)
        held[:, channel] = group[ends[:, 0]] == group[ends[:, 1]]
    return [
        replace(pair, weight=np.where(by, part, pair.weight))
        for pair, part, by in zip(pairs, opened, held, strict=True)
    ]


def estimated_pairs(pairs: Sequence[Pair], tiles: int) -> list[tuple[int, int]]:
    """Every two tiles that see no place flat together and are not tied by others that do. pairs : see `pairs_of`."""
    tied = _tied_flat(pairs, tiles)
    return [(pair.i, pair.j) for pair in pairs if tied[pair.i] != tied[pair.j]]


def untied_tiles(pairs: Sequence[Pair], tiles: int) -> list[int]:
    """Tiles that share too few places with the largest group of tiles tied together to compare their light."""
    group = _tied(np.array([(pair.i, pair.j) for pair in pairs], np.intp).reshape(-1, 2), tiles)
    return [int(tile) for tile in np.flatnonzero(group != np.bincount(group).argmax())]


def _tied_flat(pairs: Sequence[Pair], tiles: int) -> Ints:
    """(T,) a number that tiles tied by flat places have in common."""
    return _tied(np.array([(pair.i, pair.j) for pair in pairs if pair.flat], np.intp).reshape(-1, 2), tiles)


def _tied(ends: Ints, tiles: int) -> Ints:
    """(T,) a number that tiles have in common which pairs (P, 2) tie together, directly or by way of others."""
    links = sparse.coo_array((np.ones(len(ends)), tuple(ends.T)), shape=(tiles, tiles))
    found: Ints = csgraph.connected_components(links, directed=False)[1]
    return found


def _level(i: int, name: str, size: tuple[int, int], state: Unknown, seen: Seen, settings: LevelSettings) -> Level:
    spacing = max(size) / 48
    xs = np.arange(int(np.ceil((size[1] - 1) / spacing)) + 1) * spacing
    ys = np.arange(int(np.ceil((size[0] - 1) / spacing)) + 1) * spacing
    grid = np.stack(np.meshgrid(xs, ys), -1).reshape(-1, 2)
    own, bed = shading_basis(size, grid, settings.bed_degree)
    shade = own @ state.own[i] + (bed @ state.bed[seen.shared[i]] if seen.shared[i] >= 0 else 0)
    shading = shade.reshape(len(ys), len(xs))
    gain = np.exp(state.gain[i] - state.curve[i] * seen.pivot)
    return Level(name, gain, state.offset[i], shading, spacing, 1 + state.curve[i])
