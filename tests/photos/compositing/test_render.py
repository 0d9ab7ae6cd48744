"""I check that photos become one picture: blended by bands, true to the place, whatever blocks are asked for."""

from __future__ import annotations

import numpy as np
from flat_photos import fit_of, photo, scaled, stored

from stitchbed.imaging.box import Box
from stitchbed.imaging.transfer import to_linear, transfer_of
from stitchbed.photos.compositing.glare import Shares
from stitchbed.photos.compositing.render import UNIT, FaceJob, FaceSource, render
from stitchbed.photos.geometry.output_frame import Facing

DPI = 50.8  # 2 px/mm, as the photos are
HIGH, WIDE, BORDER = 300, 560, 280  # px; the second photo shows what lies beyond the border
OVERLAP = 200  # px that both see


def job_of(lights: tuple[np.ndarray, np.ndarray], *, border: int = BORDER) -> FaceJob:
    """Two photos of a work (HIGH, WIDE), the first of its left part, the second of its right part."""
    reach = BORDER + OVERLAP // 2
    pictures = [photo(stored(lights[0][:, :reach])), photo(stored(lights[1][:, WIDE - reach :]))]
    fit = fit_of(pictures, [scaled(2.0), scaled(2.0, (WIDE - reach) / 2)])
    first = np.broadcast_to(np.arange(WIDE) < border, (HIGH, WIDE)).astype(np.float32)
    sources = tuple(
        FaceSource(one.windows.window, one.size, one.transfer, number, np.ones(3), None)
        for number, one in enumerate(pictures)
    )
    facing = Facing(0, 0, 0, WIDE / 2, HIGH / 2)
    return FaceJob(facing, fit, DPI, HIGH, WIDE, 3, "uint16", sources, Shares(np.stack([first, 1 - first]), 2.0))


def grain(draw: int, depth: float) -> np.ndarray:
    return np.random.default_rng(draw).uniform(0.5 - depth, 0.5 + depth, (HIGH, WIDE, 1)).repeat(3, axis=2)


def rendered(job: FaceJob) -> np.ndarray:
    whole = render(job, Box(0, 0, job.height, job.width))
    return to_linear(whole, transfer_of(None))


def test_blocks_do_not_change_a_pixel() -> None:
    job = job_of((grain(1, 0.3), grain(2, 0.3)))
    whole = render(job, Box(0, 0, HIGH, WIDE))
    for row in range(0, HIGH, UNIT):
        for col in range(0, WIDE, UNIT):
            part = render(job, Box(row, col, UNIT, UNIT))
            assert np.array_equal(part, whole[row : row + UNIT, col : col + UNIT])


def test_photos_that_agree_show_no_border() -> None:
    work = grain(3, 0.2)
    assert np.abs(rendered(job_of((work, work))) - work).max() < 0.004  # 8-bit codes


def test_detail_is_neither_doubled_nor_averaged_away() -> None:
    """Grain that differs keeps its depth at the border; a fade over 2 mm would leave .7 of it for 4 mm."""
    one, two = grain(4, 0.3), grain(5, 0.3)
    mixed = rendered(job_of((one, two)))
    beside = [np.std(mixed[:, BORDER + at]) for at in range(-6, 6)]
    far = np.std(mixed[:, BORDER + 60 : BORDER + 80])
    assert min(beside) > 0.8 * far
    assert np.corrcoef(mixed[:, BORDER - 6].ravel(), one[:, BORDER - 6].ravel())[0, 1] > 0.9
    assert np.corrcoef(mixed[:, BORDER + 5].ravel(), two[:, BORDER + 5].ravel())[0, 1] > 0.9


def test_a_difference_of_light_has_no_edge() -> None:
    flat = np.full((HIGH, WIDE, 3), 0.5)
    row = rendered(job_of((flat, 1.06 * flat)))[HIGH // 2, :, 1]
    assert abs(row[BORDER - 60] - 0.5) < 0.004 and abs(row[BORDER + 60] - 0.53) < 0.004
    assert np.abs(np.diff(row)).max() < 0.004


def test_beyond_its_own_edge_a_photo_adds_nothing() -> None:
    """The border runs along the end of the first photo, whose last column is dark."""
    work = np.full((HIGH, WIDE, 3), 0.5)
    edge = BORDER + OVERLAP // 2
    dark = work.copy()
    dark[:, edge - 1] = 0.1
    mixed = rendered(job_of((dark, work), border=edge - 4))
    assert np.abs(mixed[:, edge + 4 :] - 0.5).max() < 0.03
