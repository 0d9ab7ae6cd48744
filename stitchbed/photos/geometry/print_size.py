"""I know how large a card was printed: by its check lines, by the size of the work, or hardly at all.

In: lengths read off a ruler, the work as the cards measure it and as the user does. Out: a `PrintSize`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from stitchbed.card.board import LINE_ACROSS_MM, LINE_DOWN_MM
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings
from stitchbed.photos.sides.lines import side_lengths

MEASURED_MM = 0.1  # a ruler read to a tenth
RULER_MM = 0.1  # the ruler's own, alike in all it reads: class I of directive 2014/32/EU allows .2 mm (from memory)
MEASURED_STRETCH = 0.0005  # of a print of which only the line across was measured
UNMEASURED_SCALE = 0.025  # 95 % within 5 %: printing to fit the page shrinks by 3 to 6 %, paper and printer add .5 %
UNMEASURED_STRETCH = 0.001
SIZE_SIGMA_MM = 0.5  # a size of the work that the user gives
LEAST_PRINTED, MOST_PRINTED = 0.9, 1.1  # of the nominal size; beyond lies another mistake than printing to fit
BELIEVED_SIGMAS = 3.0
HEIGHT_SIGMA_MM = 0.5  # of how much higher than the cards a work lies, read off a ruler held beside it


@dataclass(frozen=True)
class PrintSize:
    """across, down : true mm per nominal mm. scale, stretch : sigmas of their mean and of half their difference."""

    across: float = 1.0
    down: float = 1.0
    scale: float = UNMEASURED_SCALE
    stretch: float = UNMEASURED_STRETCH


def print_size(printed_mm: tuple[float, float | None] | None) -> PrintSize:
    """The print by its check lines, across and down.

    Raises
    ------
    BadSettings : a length that is not near that of the check line.
    """
    if printed_mm is None:
        return PrintSize()
    across = printed_mm[0] / LINE_ACROSS_MM
    down = across if printed_mm[1] is None else printed_mm[1] / LINE_DOWN_MM
    if not all(LEAST_PRINTED < one < MOST_PRINTED for one in (across, down)):
        raise BadSettings(
            f"--printed-mm {'x'.join(f'{mm:g}' for mm in printed_mm if mm is not None)}",
            expected=f"check lines as measured, near {LINE_ACROSS_MM:.0f} mm across ({LINE_DOWN_MM:.0f} mm down)",
            attempt="measure the check line on the print, in millimeters; print at 100 % if it is far off",
        )
    one, ruler = MEASURED_MM / LINE_ACROSS_MM, RULER_MM / LINE_ACROSS_MM
    if printed_mm[1] is None:
        return PrintSize(across, down, float(np.hypot(one, ruler)), MEASURED_STRETCH)
    both = one / float(np.sqrt(2))  # of the mean of two readings, and of half their difference
    return PrintSize(across, down, float(np.hypot(both, ruler)), both)


def print_size_by(
    size_mm: tuple[float, float], measured_mm: tuple[float, float], sure_mm: float, believed: PrintSize
) -> PrintSize | None:
    """What is believed of the print, bettered by the work's size; None when the two contradict each other.

    measured_mm : width and height as cards of the believed size measure it; sure_mm : 95 %, without the print's share.
    """
    ratios, sigmas, apart = _ratios(size_mm, measured_mm, sure_mm, believed)
    weights = 1 / (sigmas * max(1.0, apart)) ** 2
    ratio = float((ratios * weights).sum() / weights.sum())
    sigma = float(weights.sum() ** -0.5)
    if apart > BELIEVED_SIGMAS or abs(ratio - 1) > BELIEVED_SIGMAS * np.hypot(sigma, believed.scale):
        return None
    share = believed.scale**2 / (believed.scale**2 + sigma**2)
    better = 1 + (ratio - 1) * share
    scale = believed.scale * sigma / float(np.hypot(believed.scale, sigma))
    return replace(believed, across=believed.across * better, down=believed.down * better, scale=scale)


def size_sigma_mm(
    size_mm: tuple[float, float], measured_mm: tuple[float, float], sure_mm: float, believed: PrintSize
) -> float:
    """How well a size was read: SIZE_SIGMA_MM, more where its two lengths do not fit one print of the cards.

    Arguments as for `print_size_by`. Readings that differ by more than they should are all taken to be that much worse.
    Reference: Birge (1932), doi 10.1103/PhysRev.40.207.
    """
    return SIZE_SIGMA_MM * max(1.0, _ratios(size_mm, measured_mm, sure_mm, believed)[2])


def _ratios(
    size_mm: tuple[float, float], measured_mm: tuple[float, float], sure_mm: float, believed: PrintSize
) -> tuple[Array, Array, float]:
    """(2,) width and height over what cards measure, their sigmas, and how many of their sigmas they lie apart."""
    ratios = np.array(size_mm) / measured_mm
    sigmas = np.hypot(SIZE_SIGMA_MM, sure_mm / 2) / np.array(measured_mm)
    expected = float(np.sqrt((sigmas**2).sum() + (2 * believed.stretch) ** 2))
    return ratios, sigmas, abs(float(ratios[0] - ratios[1])) / expected


def off_size(corners: Array, size_mm: tuple[float, float], sigma_mm: float = SIZE_SIGMA_MM) -> Array:
    """(4,) sigmas by which mean width and height, and how much opposite sides differ, are off a rectangle's of a size.

    corners : (4, 2) mm, top left first, clockwise. Two readings of a ruler, at either of two sides, differ as sides do.
    """
    lengths = side_lengths(corners)
    mean = (lengths[:2] + lengths[2:]) / 2
    return np.concatenate([(mean - size_mm) / sigma_mm, off_alike(corners, sigma_mm)])


def off_alike(corners: Array, sigma_mm: float) -> Array:
    """(2,) sigmas by which opposite sides differ. corners : (4, 2) mm in turn. sigma_mm : of the length of one side."""
    lengths = side_lengths(corners)
    return np.asarray((lengths[:2] - lengths[2:]) / (np.sqrt(2) * sigma_mm), dtype=np.float64)


def print_size_below(raised_mm: float, share: float, share_sigma: float, believed: PrintSize) -> PrintSize:
    """What is believed of the print as seen at the height of the work's face, when that lies `raised_mm` above it.

    One photo sees a plane nearer to it as the same plane, larger: only sizes change. share : by which a work seems
    larger for the first mm, one over the camera's height and less that mm. share_sigma : of it, relative.
    """
    each = share / (1 + share)
    smaller = 1 - raised_mm * each
    unsure = each * float(np.hypot(HEIGHT_SIGMA_MM, raised_mm * share_sigma)) / smaller
    return replace(
        believed,
        across=believed.across * smaller,
        down=believed.down * smaller,
        scale=float(np.hypot(believed.scale, unsure)),
    )
