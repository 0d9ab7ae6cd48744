"""I turn samples as a TIFF stores them into gray or RGB of 8 or 16 bits.

In: whole numbers or floating point as stored. Out: uint8 or uint16; what is white in the file is the largest code.

Reference: TIFF 6.0 (1992), sections 4-6 (photometric interpretation, palette), tags 281 (MaxSampleValue), 339
(SampleFormat).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import unreadable
from stitchbed.reading.base.samples import stretched
from stitchbed.reading.tiff.layout import TiffPage

FULL = 65535
ROUNDING = 0.5 / FULL  # beyond 0..1 by less than half a code: what arithmetic leaves
IN_RANGE = "save it as 16 bits per channel, or scale its values to 0..1 (0 black, 1 white)"


def colored(page: TiffPage, raw: Pixels) -> Pixels:
    """(h, w, samples) of `TiffPage.chosen` as gray or RGB (and alpha): expanded, stretched, inverted where needed."""
    if page.palette is not None:
        rgb = page.palette[raw[..., 0]]
        return rgb if page.alpha is None else np.concatenate([rgb, raw[..., 1:]], axis=2)
    raw = (
        raw
        if page.floating
        else stretched(np.minimum(raw, page.top) if page.top < 2**page.bits - 1 else raw, page.depth)
    )
    if page.photometric == 0:
        raw = np.array(raw)
        raw[..., 0] = np.iinfo(raw.dtype).max - raw[..., 0]
    return raw


def codes_of(page: TiffPage, values: NDArray[Any]) -> Pixels:
    """Floating point 0..1 as uint16: the nearest code, so that 16 bits divided by 65535 come back as they were.

    Raises
    ------
    UnreadableTile : a value is no number, or lies outside 0..1.
    """
    low, high = float(values.min(initial=0)), float(values.max(initial=0))
    if not (low >= -ROUNDING and high <= 1 + ROUNDING):  # also true of what is no number
        span = f"{low:.4g} to {high:.4g}" if np.isfinite([low, high]).all() else "what is no number or endless"
        found = f"holds floating point values from {span}" if span[0] != "w" else f"holds {span} among its values"
        raise unreadable(page.path, found, expected="values from 0 to 1", attempt=IN_RANGE)
    return np.rint(np.clip(values, 0, 1).astype(np.float64) * FULL).astype(np.uint16)


def notes_on(page: TiffPage, icc: bytes | None) -> tuple[str, ...]:
    """Sentences on samples that are left out, as the infrared channel of film scans, and on how tones are taken."""
    notes = []
    if count := page.samples - len(page.chosen):
        notes.append(f"{count} further channel(s) beside color and alpha are not used")
    if not page.floating and page.depth < page.bits:
        said = f"MaxSampleValue {page.top:,}"
        notes.append(f"its 16 bits hold {page.depth}, as it says ({said}): white was taken to be that")
    if page.floating and icc is None:
        notes.append("its floating point values carry no profile: they are taken as sRGB, not as linear light")
    return tuple(notes)
