"""I check that dust goes and drawing stays, on pages whose every speck, dot and stroke is known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import cv2
import numpy as np
import pytest
from ink_pages import INK, PAPER, InkPage, blank, dot, drawing, scatter, seen, solid, stroke, with_dust

from stitchbed.core.errors import BadSettings
from stitchbed.core.quantities import MM_PER_INCH
from stitchbed.imaging.box import Box
from stitchbed.imaging.reduce import reduction_to
from stitchbed.imaging.transfer import to_stored
from stitchbed.page.dust import sweep as sweeping
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import DustSettings, asked, judged
from stitchbed.page.dust.finds import ALONE, HOLE, Finds
from stitchbed.page.dust.inpaint import filled, inpainted
from stitchbed.page.ground import Ground, relative
from stitchbed.page.ink import InkTraits
from stitchbed.page.page import Page, page_of_array
from stitchbed.page.sheet.white import PaperSettings, White, survey, white_at

# codes of 8 bits: about 3 L* both on paper and in ink, what an eye sees side by side; common practice, no source
VISIBLE = 8


@dataclass(frozen=True)
class Case:
    """A page, how it was scanned with and without dust, and what is known of its paper and ink."""

    made: InkPage
    dirty: np.ndarray
    clean: np.ndarray
    page: Page
    white: White
    scale: Scale
    traits: InkTraits

    @cached_property
    def finds(self) -> Finds:
        """All that might be dust, whatever is asked for."""
        return _finds(self.page, self.white, self.traits, self.scale)


def _case(made: InkPage) -> Case:
    scans = [seen(light, made.dpi, np.random.default_rng(9)) for light in (made.dirty, made.clean)]
    page = page_of_array(scans[0], made.dpi)
    white = survey(page, page.box, PaperSettings())
    factor = reduction_to(made.dpi, sweeping.LOOK_DPI)
    traits = sweeping.ink_of(Ground(page, white), _boxes(page), factor)
    scale = Scale(made.dpi / factor / MM_PER_INCH, DustSettings().largest)
    return Case(made, scans[0], scans[1], page, white, scale, traits)


def _boxes(page: Page) -> list[Box]:
    small = cv2.resize(page.read(page.box), (60, 60), interpolation=cv2.INTER_AREA)
    return sweeping.sampled(page, page.box, (small < 128).astype(np.float32))


@cache
def _known(dpi: int) -> Case:
    sheet = drawing(dpi, np.random.default_rng(7))
    return _case(with_dust(sheet, np.random.default_rng(8)))


def _swept(case: Case, settings: DustSettings | None = None) -> tuple[Finds, np.ndarray]:
    return case.finds, judged(case.finds, case.traits, case.scale, settings or DustSettings())


def _finds(page: Page, white: White, traits: InkTraits, scale: Scale) -> Finds:
    finds = sweeping.sweep(Ground(page, white), page.box, traits, scale, workers=2)
    return sweeping.weighed(Ground(page, white), finds, asked(finds, scale), traits, scale)


def _cleaned(case: Case, finds: Finds, dust: np.ndarray) -> np.ndarray:
    mask = sweeping.mask_at(sweeping.dust_map(case.page, finds, dust), case.page.box)
    full = sweeping.ink_of(Ground(case.page, case.white), _boxes(case.page), 1)
    seen_light = relative(Ground(case.page, case.white), case.page.box)
    light = inpainted(seen_light, mask, full) * white_at(case.white, case.page.box)
    return np.where(mask, to_stored(light, "uint8", case.page.transfer)[..., 0], case.dirty)


def _recall(case: Case, result: np.ndarray) -> float:
    """Share of the specks of which at most a quarter is left (and 2.5 codes, what two scans' noise differs by)."""
    before, after = (
        _means(np.abs(scan.astype(np.int16) - case.clean), case.made.specks)[1:] for scan in (case.dirty, result)
    )
    return float((after <= 0.25 * before + 2.5).mean())


def _touched(case: Case, result: np.ndarray, owners: np.ndarray) -> float:
    """Share of the marks in `owners` of which over a twentieth looks worse than it did under the dust."""
    was, now = (np.abs(scan.astype(np.int16) - case.clean) for scan in (case.dirty, result))
    worse = _means(now > was + VISIBLE, owners)[1:]
    return float((worse[~np.isnan(worse)] > 0.05).mean())


def _means(values: np.ndarray, owners: np.ndarray) -> np.ndarray:
    """(n + 1,) mean of the values of each owner; NaN for numbers that own nothing. Only owned px are looked at."""
    at = np.flatnonzero(owners)
    mine = owners.ravel()[at]
    counts, sums = np.bincount(mine), np.bincount(mine, values.ravel()[at])
    return np.divide(sums, counts, out=np.full(len(counts), np.nan), where=counts > 0)


def _median_habit(scan: np.ndarray) -> np.ndarray:
    """A median of radius 2 where it differs by more than 1 code."""
    median = cv2.medianBlur(scan, 5)
    return np.where(np.abs(median.astype(int) - scan) > 1, median, scan)


@pytest.mark.parametrize("dpi", [300, 600])
def test_dust_goes_and_drawing_stays(dpi: int) -> None:
    case = _known(dpi)
    assert len(case.made.speck_list) == 600
    assert int(case.made.dots.max()) == 400
    # the pen's finest dot said, and everything asked for
    result = _cleaned(case, *_swept(case, DustSettings("eager", smallest_dot=0.17, in_ink=True)))
    gentle = _cleaned(case, *_swept(case, DustSettings()))
    habit = _median_habit(case.dirty)
    recall, touched = _recall(case, result), _touched(case, result, case.made.dots)
    assert recall >= 0.93
    assert touched <= 0.01
    # three dots of 400 lie under dust
    assert _touched(case, gentle, case.made.dots) <= 0.0075
    assert _touched(case, gentle, case.made.strokes) == 0
    assert _recall(case, gentle) > 0.6
    worse = np.abs(result.astype(np.int16) - case.clean) > np.abs(case.dirty.astype(np.int16) - case.clean) + VISIBLE
    hatched = case.made.strokes > 0
    assert (worse & hatched).sum() / hatched.sum() <= 0.01
    assert _recall(case, habit) <= recall
    assert _touched(case, habit, case.made.dots) > max(touched, 0.5)
    assert _touched(case, habit, case.made.strokes) > _touched(case, result, case.made.strokes)


def test_block_size_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    case = _known(300)
    maps = []
    for edge in (1024, 400, 257):
        monkeypatch.setattr(sweeping, "BLOCK", edge)
        finds = _finds(case.page, case.white, case.traits, case.scale)
        dust = judged(finds, case.traits, case.scale, DustSettings())
        maps.append(sweeping.dust_map(case.page, finds, dust).bits)
    assert np.array_equal(maps[0], maps[1])
    assert np.array_equal(maps[0], maps[2])


def test_a_clean_page_stays_as_it_is() -> None:
    sheet = drawing(600, np.random.default_rng(7))
    case = _case(with_dust(sheet, np.random.default_rng(8), specks=0, white=0))
    _, dust = _swept(case)
    # 400 dots and 203 pieces of hatching: one mistake in 300 marks at most
    assert dust.sum() <= 2
    assert len(dust) > 400


@pytest.mark.parametrize("strength", ["careful", "normal", "eager"])
def test_white_marks_in_black_stay(strength: str) -> None:
    """Stars of .1 to .5 mm and thin crosses in a night sky: nothing is filled unless asked for."""
    sheet = blank(30, 20, 600)
    solid(sheet, np.array([(1.0, 1.0), (29, 1), (29, 19), (1, 19)]))
    sky, rng = blank(30, 20, 600), np.random.default_rng(5)
    for n, (x, y) in enumerate(scatter(rng, (2, 2, 28, 18), 120, apart=0.9, taken=[])):
        dot(sky, x, y, 0.1 + 0.4 * n / 120)
        if n % 8 == 0:
            stroke(sky, [(x - 0.4, y), (x + 0.4, y)], 0.1)
    light = PAPER + (INK - PAPER) * sheet.ink * (1 - sky.ink)
    page = page_of_array(seen(cv2.GaussianBlur(light, (0, 0), 0.65), 600, np.random.default_rng(1)), 600)
    white = survey(page, page.box, PaperSettings())
    traits, scale = sweeping.ink_of(Ground(page, white), [page.box], 1), Scale(600 / MM_PER_INCH, 0.6)
    finds = _finds(page, white, traits, scale)
    assert not judged(finds, traits, scale, DustSettings(strength)).any()
    few, many = (judged(finds, traits, scale, DustSettings(strength, 0.6, least, in_ink=True)) for least in (0.12, 0.4))
    assert few.sum() < 20 < many.sum()
    assert finds.size[few & (finds.kind == HOLE) & (finds.alone > 0.5)].max(initial=0) < 0.13


@pytest.mark.parametrize("dpi", [300, 600, 1200])
def test_rows_of_fine_dots_stay(dpi: int) -> None:
    """Rows of the pen's finest dots, .12 to .2 mm: nothing of that size and black goes by default."""
    sheet, rng = blank(40, 12, dpi), np.random.default_rng(2)
    solid(sheet, np.array([(1.0, 8.0), (39, 8), (39, 11), (1, 11)]))
    for row, size in enumerate((0.12, 0.15, 0.2)):
        for n in range(36):
            dot(sheet, 2 + n, 2 + 2 * row + rng.normal(0, 0.03), size)
    light = cv2.GaussianBlur(
        PAPER + (INK - PAPER) * sheet.ink, (0, 0), float(np.hypot(0.022 / MM_PER_INCH * dpi, 0.35))
    )
    page = page_of_array(seen(light, dpi, np.random.default_rng(1)), dpi)
    white = survey(page, page.box, PaperSettings())
    traits, scale = sweeping.ink_of(Ground(page, white), [page.box], 1), Scale(dpi / MM_PER_INCH, 0.6)
    finds = _finds(page, white, traits, scale)
    assert len(finds.kind) >= 108
    for strength, most in (("careful", 0), ("normal", 3)):
        assert judged(finds, traits, scale, DustSettings(strength, smallest_dot=0.1)).sum() <= most, strength


def test_strength_only_adds() -> None:
    case = _known(300)
    finds, _ = _swept(case)
    counts = [
        int(judged(finds, case.traits, case.scale, DustSettings(strength=word)).sum())
        for word in ("careful", "normal", "eager")
    ]
    assert counts[0] < counts[1] < counts[2]
    with pytest.raises(BadSettings):
        judged(finds, case.traits, case.scale, DustSettings(strength="much"))


def test_what_two_pieces_saw_is_judged_carefully() -> None:
    case = _known(300)
    finds, dust = _swept(case)
    eager = DustSettings("eager")
    dust = judged(finds, case.traits, case.scale, eager)
    both = judged(finds, case.traits, case.scale, eager, twice=np.ones(len(dust), bool))
    careful = judged(finds, case.traits, case.scale, DustSettings(strength="careful"))
    assert both.sum() < dust.sum()
    assert not (both & ~careful).any()


def test_pencil_is_no_dust() -> None:
    """Short gray strokes close together, no ink on the page: nothing goes but a speck far from all of them."""
    rng = np.random.default_rng(3)
    light = np.full((1200, 1200), PAPER, np.float32)
    for x, y in rng.uniform((100, 100), (700, 1100), (900, 2)):
        end = np.array((x, y)) + rng.normal(0, 9, 2)
        tone = float(rng.uniform(0.35, 0.7))
        cv2.line(light, (int(x), int(y)), tuple(int(v) for v in end), tone, 2, cv2.LINE_AA)
    cv2.circle(light, (1050, 600), 3, 0.4, -1, cv2.LINE_AA)
    scan = seen(cv2.GaussianBlur(light, (0, 0), 0.7), 600, np.random.default_rng(1))
    page = page_of_array(scan, 600)
    white = survey(page, page.box, PaperSettings())
    traits = sweeping.ink_of(Ground(page, white), [page.box], 1)
    scale = Scale(600 / MM_PER_INCH, 0.6)
    finds = _finds(page, white, traits, scale)
    dust = judged(finds, traits, scale, DustSettings())
    assert not traits.found
    assert np.allclose(np.stack([finds.col[dust], finds.row[dust]], axis=1), [[1050, 600]], atol=1)


def test_colored_marks_are_no_dust() -> None:
    """A page of dots as pale as dust: gray ones go, the same in red stay."""
    kept = []
    for tint in ((1.0, 1.0, 1.0), (1.9, 0.6, 0.5)):
        light = np.full((600, 600, 3), PAPER, np.float32)
        cv2.rectangle(light, (40, 40), (200, 560), (INK, INK, INK), -1)
        for n in range(12):
            center = (260 + 100 * (n % 4), 80 + 180 * (n // 4))
            cv2.circle(light, center, 3, tuple(min(PAPER, 0.45 * t) for t in tint), -1, cv2.LINE_AA)
        scan = seen(cv2.GaussianBlur(light, (0, 0), 0.7), 600, np.random.default_rng(1))
        page = page_of_array(scan, 600)
        white = survey(page, page.box, PaperSettings())
        traits = sweeping.ink_of(Ground(page, white), [page.box], 1)
        scale = Scale(600 / MM_PER_INCH, 0.6)
        finds = _finds(page, white, traits, scale)
        kept.append(int((judged(finds, traits, scale, DustSettings()) & (finds.kind == ALONE)).sum()))
    assert kept == [12, 0]


def test_a_stroke_goes_on_under_dust() -> None:
    """A black stroke of 10 px with a gray grain on it: the filling carries the stroke across."""
    ink = np.zeros((80, 80), np.float32)
    cv2.line(ink, (5, 20), (75, 58), 1.0, 10, cv2.LINE_AA)
    clean = cv2.GaussianBlur(1 - 0.97 * ink, (0, 0), 0.8)
    dirty, mask = clean.copy(), np.zeros((80, 80), np.uint8)
    cv2.circle(dirty, (40, 39), 6, 0.45, -1, cv2.LINE_AA)
    cv2.circle(mask, (40, 39), 9, 1, -1)
    traits = InkTraits(0.03, True, 0.9, 0.01, 0.0)
    got = inpainted(dirty[..., None], mask > 0, traits)[..., 0]
    inside = mask > 0
    error = np.abs(got - clean)[inside].mean()
    # plain filling smears; carrying along the stroke must leave less than half of that
    plain = np.abs(filled(dirty[..., None], inside)[..., 0] - clean)[inside].mean()
    assert error < 0.5 * plain
    assert error < 0.06
    assert np.array_equal(got[~inside], dirty[~inside])
