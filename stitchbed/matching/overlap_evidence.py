"""I say how far two pieces show the same drawing where a motion lays them on each other, cell by cell.

In: leveled pictures of both pieces and a motion. Out: `Evidence`, for and against, with the place of each cell.

The whole overlap that a motion implies is asked, not only the points it was found by: a cell with drawing that
disagrees counts against a motion as one that agrees counts for it, and bare paper counts for nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from stitchbed.core.arrays import Array, Floats, Ints
from stitchbed.imaging.reduce import area_size
from stitchbed.imaging.transforms import fit_similarity, moved, scale_of, similarity_matrix, similarity_params
from stitchbed.matching.cell_correlation import correlate
from stitchbed.matching.laid_over import (
    UNSEEN,
    Layer,
    Overlap,
    leveled,
    overlap_of,
    unseen_ends,
    without_cells,
    without_specks,
)

# Log odds that a motion is true: by likeness, against drawing in one piece only; measured on pairs that share nothing
# (their best motions reach a likeness of .72, or .18 of bare drawing) and on true neighbors (from .5, under .08).
LIKENESS_SLOPE = 14.0
BARE_FREE = 0.08  # dust, lift and blur leave this much of the drawing in one piece only
TONE_FREE, TONE_SLOPE, ENOUGH_TONES = 0.55, 20.0, 4.0  # tones that differ more than lift and lamps make them differ
# A refrain or a tile of a pattern fits all but the cells that differ, true neighbors fit everywhere: where most cells
# are as alike as PLAIN, those less alike by ODD_GAP (all of it where by ODD_FAR) are odd. Of 18 true overlaps 16 had
# less than ODD_FREE of their drawing in odd cells (one had a moved flap), shifts by a refrain or a tile .08 to .36.
PLAIN, ODD_GAP, ODD_FAR, ODD_FREE, ODD_SLOPE, ENOUGH_ODD = 0.8, 0.2, 0.35, 0.05, 45.0, 10.0
FAINT = 0.6  # drawing of a cell under which dust makes it unlike
SPECK = 0.4  # drawing of a cell: a grain of half a millimeter in bare paper gives less
LEAST_AMOUNT = 0.5  # cells' worth of drawing that every motion is taken to have of mere chance
ROUGH_ROUNDS = 5  # of drawing a motion on that is known roughly: broad strokes come to their place by and by
GRAY = 128  # a gray level that tones are counted from
LEAST_SEEN = 0.4  # share of a cell that both pieces must see
FAR = 6  # px of reach from which every other pixel will do
MOST_PIXELS = 2**23  # of a layer: an A1 sheet in one piece; larger ones are looked at more coarsely
TRUE_CELL = 0.5  # likeness over which a cell tells where the second piece lies
LEAST_SCATTERED = 5  # cells that tell how far they scatter: a motion fits two in any case
LEAST_UNLIKE, LEAST_SCATTER = 0.01, 0.05  # of one drawing scanned twice; mm


@dataclass(frozen=True)
class EvidenceSettings:
    """pixel_mm: of the leveled pictures; lines of writing agree wrongly in coarser ones. ground_mm: light that changes
    over more than this is leveled away. rim_mm: left out at the rims, where sheets lift. cell_mm: a glyph or a stroke
    with some paper round it. reach_mm: what a motion may be off, at a cell. wide_mm: the same, for a second try;
    rough_mm: for a motion that is known by pictures made small only. speck_mm: what is in one piece only and no larger
    is dust, which tells nothing. drawing: gray levels of 255 by which a cell must vary to count half; grain and noise
    stay under 5. chance, even: likeness of a motion that nothing speaks for, and that of one as likely true as false.
    bare_slope: log odds that all drawing being in one piece only would cost. tone_...: the same for tones: a screen of
    dots lies right on itself at every dot, but its picture does not.
    """

    pixel_mm: float = 0.25
    ground_mm: float = 4.0
    rim_mm: float = 2.5
    cell_mm: float = 8.0
    reach_mm: float = 0.5
    wide_mm: float = 2.0
    rough_mm: float = 6.0
    speck_mm: float = 1.25
    drawing: float = 14.0
    chance: float = 0.3
    even: float = 0.56
    bare_slope: float = 60.0
    tone_pixel_mm: float = 1.0
    tone_ground_mm: float = 25.0
    tone_cell_mm: float = 20.0
    tone_drawing: float = 6.0


@dataclass(frozen=True)
class Detail:
    """A piece at two scales: its strokes, leveled by all that it shows and plain, and its tones, plain, which over a
    centimeter or two no screen of dots repeats."""

    strokes: Layer
    tones: Layer
    plain: Layer


@dataclass(frozen=True)
class Evidence:
    """What an overlap tells of a motion.

    middle : (n, 2) px of each cell in the first piece. likeness : (n,) correlation -1..1 where it is best.
    drawing : (n,) 0..1, how much is drawn there in either piece. shift : (n, 2) px of the first piece from where the
    second should be to where it was found. bare : share of the drawing that is in one piece only, 0..1. tone :
    mean likeness of the tones, and tone_amount, how many cells' worth of them there is. pixel_mm : of the first piece.
    """

    middle: Array
    likeness: Array
    drawing: Array
    shift: Array
    bare: float
    tone: float = 1.0
    tone_amount: float = 0.0
    pixel_mm: float = 1.0

    @property
    def amount(self) -> float:
        """Cells' worth of drawing."""
        return float(self.drawing.sum())

    @property
    def strong(self) -> float:
        """The same without cells that hold no more than a speck of dust might."""
        return float(self.drawing[self.drawing > SPECK].sum())

    @property
    def score(self) -> float:
        """Mean likeness, weighed by drawing; 0 where nothing is drawn."""
        return float(self.drawing @ self.likeness) / self.amount if self.amount > 0 else 0.0

    @property
    def usual(self) -> float:
        """Likeness of the middle cell, weighed by drawing: a moved flap or a crumb does not lower it; 0 without any."""
        return _weighted_median(self.likeness, self.drawing)

    @property
    def odd(self) -> float:
        """Share of the plain drawing, 0..1, that is far less alike than most is; 0 where most is not clearly alike.

        Cells of faint drawing are left out: grains of dust make them unlike.
        """
        plain = self.drawing > FAINT
        drawing, likeness = self.drawing[plain], self.likeness[plain]
        usual = _weighted_median(likeness, drawing)
        if usual < PLAIN:
            return 0.0
        less = np.clip((usual - ODD_GAP - likeness) / (ODD_FAR - ODD_GAP), 0, 1)
        return float(drawing @ less) / self.amount

    @property
    def agreeing(self) -> Array:
        """(n,) 0..1, what is drawn in cells that tell where the second piece lies, 0 in others."""
        return np.where(self.likeness > TRUE_CELL, self.drawing, 0.0)

    @property
    def scatter(self) -> float:
        """How far, mm rms, cells that agree were found from where one motion of this one's size puts them all; infinite
        for a few cells, which many a motion fits."""
        weight = self.agreeing
        enough = np.count_nonzero(weight > FAINT) >= LEAST_SCATTERED
        rigid = _drawn_to(np.eye(3), self, keep_scale=True) if enough else None
        if rigid is None:
            return np.inf
        off = ((moved(rigid, self.middle) - self.middle - self.shift) ** 2).sum(axis=1)
        return float(np.sqrt(weight @ off / weight.sum())) * self.pixel_mm

    @property
    def differs(self) -> float:
        """By how much this differs from one drawing seen twice: what the likeness lacks of 1, times `scatter`, each no
        less than scans themselves bring in. A hand that repeats a motif draws it a little otherwise and elsewhere."""
        return max(1 - self.score, LEAST_UNLIKE) * max(self.scatter, LEAST_SCATTER)


def _weighted_median(values: Array, weight: Array) -> float:
    if not len(values) or weight.sum() <= 0:
        return 0.0
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)])


def detail_of(gray: Floats, reduction: float, px_per_mm: float, settings: EvidenceSettings) -> Detail:
    """gray (h, w) 0..255, reduced `reduction` times from a piece of `px_per_mm`; never made finer than it is."""
    times = detail_reductions(gray.shape, reduction, px_per_mm, settings)
    smalls = [cv2.resize(gray, area_size(gray.shape, one), interpolation=cv2.INTER_AREA) if one > 1 else gray
              for one in times]  # fmt: skip
    return detail_from(smalls, gray.shape[1] * reduction, px_per_mm, settings)


def detail_reductions(
    shape: tuple[int, ...], reduction: float, px_per_mm: float, settings: EvidenceSettings
) -> tuple[float, float]:
    """How many times the pictures of strokes and of tones are smaller than a view (h, w, ...) of that reduction."""
    least = max(1.0, (shape[0] * shape[1] / MOST_PIXELS) ** 0.5)
    strokes, tones = (mm * px_per_mm / reduction for mm in (settings.pixel_mm, settings.tone_pixel_mm))
    return max(least, strokes), max(least, tones)


def detail_from(smalls: Sequence[Floats], width: float, px_per_mm: float, settings: EvidenceSettings) -> Detail:
    """smalls : gray 0..255 of a piece of `width` px and `px_per_mm`, reduced as `detail_reductions` says."""
    fine = without_cells(np.asarray(smalls[0], np.float32))
    strokes = _layer(fine, width, px_per_mm, settings.ground_mm)
    without_dust = cv2.medianBlur(np.asarray(smalls[1], np.float32), 3)  # nor single thin lines
    plain, tones = (_plain(one, width / one.shape[1], px_per_mm) for one in (fine, without_dust))
    return Detail(strokes, tones, plain)


def _plain(small: Floats, step: float, px_per_mm: float) -> Layer:
    above = np.where(unseen_ends(small), UNSEEN, np.clip(np.rint(small - GRAY), -127, 127))
    return Layer(above.astype(np.int8), step, step / px_per_mm)


def compare(b_from_a: Array, details: tuple[Detail, Detail], settings: EvidenceSettings) -> Evidence:
    """Compare two pieces over the overlap of a motion (3x3, full-resolution px)."""
    return _compared(b_from_a, details, settings, settings.reach_mm)


def _compared(b_from_a: Array, details: tuple[Detail, Detail], settings: EvidenceSettings, reach_mm: float) -> Evidence:
    one, two = details
    strokes = overlap_of(b_from_a, one.plain, two.plain, settings.rim_mm)
    if strokes is None:
        return Evidence(np.zeros((0, 2)), np.zeros(0), np.zeros(0), np.zeros((0, 2)), 0.0)
    strokes = leveled(strokes, settings.ground_mm / one.plain.pixel_mm)
    bare = 0.0
    if reach_mm == settings.reach_mm:
        reach, speck = (round(mm / one.strokes.pixel_mm) for mm in (reach_mm, settings.speck_mm))
        bare, strokes = without_specks(strokes, max(1, reach), speck)
    cells = _cells(strokes, one.strokes, (settings.cell_mm, reach_mm, settings.drawing))
    told = Evidence(*cells, bare, pixel_mm=one.strokes.pixel_mm / one.strokes.step)
    tones = overlap_of(b_from_a, one.tones, two.tones, 2 * settings.rim_mm)
    if tones is None:
        return told
    wishes = settings.tone_cell_mm, settings.tone_pixel_mm, settings.tone_drawing
    tones = leveled(tones, settings.tone_ground_mm / one.tones.pixel_mm)
    _, likeness, drawing, _ = _cells(tones, one.tones, wishes)
    amount = float(drawing.sum())
    return replace(told, tone=float(drawing @ likeness) / amount, tone_amount=amount) if amount > 0 else told


def drawn_in(detail: Detail, settings: EvidenceSettings) -> float:
    """Cells' worth of drawing of a whole piece, without cells that hold no more than a speck of dust might: no overlap
    of it has more."""
    cell = max(1, round(settings.cell_mm / detail.strokes.pixel_mm))
    rows, cols = (length // cell for length in detail.strokes.pixels.shape)
    cells = detail.strokes.pixels[: rows * cell, : cols * cell].astype(np.float32).reshape(rows, cell, cols, cell)
    power = cells.var(axis=(1, 3))
    drawing = power / (power + settings.drawing**2)
    return float(drawing[drawing > SPECK].sum())


def aligned(
    b_from_a: Array,
    details: tuple[Detail, Detail],
    settings: EvidenceSettings,
    *,
    keep_scale: bool = True,
    rough: bool = False,
) -> tuple[Array, Evidence]:
    """The motion drawn to where its cells agree within `wide_mm`, and its evidence; as it was if that is no better.

    rough : it may be off by `rough_mm` and is drawn to where cells agree within that first.
    """
    best = b_from_a, compare(b_from_a, details, settings)
    motion = b_from_a
    if rough and best[1].score < settings.even:
        drawn = _drawn_to(motion, _compared(motion, details, settings, settings.rough_mm), keep_scale)
        motion = motion if drawn is None else drawn
    near = _compared(motion, details, settings, settings.wide_mm)
    for _ in range(ROUGH_ROUNDS if rough else 2):  # first by what was found far off, then by what is found close by
        drawn = _drawn_to(motion, near, keep_scale)
        if drawn is None:
            break
        motion, near = drawn, compare(drawn, details, settings)
        best = (motion, near) if near.score > best[1].score else best
    return best


def _drawn_to(motion: Array, seen: Evidence, keep_scale: bool) -> Array | None:
    """The motion fitted to where cells that agree were found; None where too few do."""
    weight = seen.agreeing
    if np.count_nonzero(weight) < 3:
        return None
    there = moved(motion, seen.middle + seen.shift)
    fitted = similarity_matrix(fit_similarity(seen.middle, there, np.maximum(weight, 1e-9)))
    return scaled_to(fitted, scale_of(motion), weight @ seen.middle / weight.sum()) if keep_scale else fitted


def probability(evidence: Evidence, settings: EvidenceSettings, *, odd: bool = True) -> float:
    """That a motion is true, 0..1, for a pair about which nothing else is known.

    odd : False asks how well it fits, whatever cells are odd.
    """
    return float(1 / (1 + np.exp(-log_odds(evidence, settings, odd=odd))))


def log_odds(evidence: Evidence, settings: EvidenceSettings, *, odd: bool = True) -> float:
    """The same as log odds, within 30 of even."""
    amount = evidence.amount
    likeness = (evidence.score * amount + settings.chance * LEAST_AMOUNT) / (amount + LEAST_AMOUNT)
    odds = LIKENESS_SLOPE * (likeness - settings.even) - settings.bare_slope * max(evidence.bare - BARE_FREE, 0.0)
    if odd:
        odds -= ODD_SLOPE * max(evidence.odd - ODD_FREE, 0.0) * min(amount / ENOUGH_ODD, 1.0)
    odds -= TONE_SLOPE * max(TONE_FREE - evidence.tone, 0.0) * min(evidence.tone_amount / ENOUGH_TONES, 1.0)
    return float(np.clip(odds, -30, 30))


def _layer(small: Floats, width: float, px_per_mm: float, ground_mm: float) -> Layer:
    step = width / small.shape[1]
    ground = cv2.GaussianBlur(small, (0, 0), ground_mm * px_per_mm / step)
    return Layer(np.clip(np.rint(small - ground), -127, 127).astype(np.int8), step, step / px_per_mm)


def _cells(overlap: Overlap, layer: Layer, wishes: tuple[float, float, float]) -> tuple[Array, Array, Array, Array]:
    """Middle, likeness, drawing and shift of each cell of an overlap, as in `Evidence`.

    layer : the first one. wishes : cell and reach in mm, gray levels by which a cell must vary to count half.
    """
    cell, reach = (max(1, round(mm / layer.pixel_mm)) for mm in wishes[:2])
    corners = _grid(overlap.there.shape, cell)
    found = np.zeros((len(corners), 5))
    stride = 1 if reach < FAR else 2
    correlate(overlap.here, overlap.there, corners, cell, reach - reach % stride, found, stride)
    found, corners = found[found[:, 3] >= LEAST_SEEN], corners[found[:, 3] >= LEAST_SEEN]
    share, power = found[:, 3], found[:, 4] ** 2
    middle = (corners[:, ::-1] + overlap.corner[::-1] + cell / 2) * layer.step - 0.5
    return middle, found[:, 0], np.minimum(share, 1) * power / (power + wishes[2] ** 2), found[:, 1:3] * layer.step


def scaled_to(motion: Array, scale: float, around: Array) -> Array:
    """The motion with another scale, `around` (2,) px staying where it was put."""
    params = similarity_params(motion)
    there = moved(motion, around[None])[0]
    turned = similarity_matrix(np.array([*(params[:2] * scale / np.hypot(*params[:2])), 0.0, 0.0]))
    turned[:2, 2] = there - turned[:2, :2] @ around
    return turned


def _grid(shape: tuple[int, ...], cell: int) -> Ints:
    """(n, 2) first row and column of cells side by side, in the middle of a picture, some past its ends."""
    starts = []
    for length in shape[:2]:
        count = max(1, round(length / cell))
        starts.append((length - count * cell) // 2 + cell * np.arange(count))
    return np.stack(np.meshgrid(*starts, indexing="ij"), -1).reshape(-1, 2).astype(np.int64)
