"""I blend the layers of one block together around the seams.

In: layers of light over a block and who owns which pixel. Out: one picture. Each frequency band crosses a seam over a
width of its own (Burt & Adelson, ACM TOG 2(4):217-236, 1983): fine detail switches within two pixels, so that edges
are never doubled and grain is not averaged away; slow differences blend over `HALO`.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from stitchbed.core.arrays import Floats

LEVELS = 4  # bands; the widest transition is about 2**LEVELS * 2 px
HALO = 3 * 2**LEVELS  # px round a block on which block-wise blending equals blending the whole picture


def multiband_blend(layers: Sequence[Floats], owners: Sequence[Floats]) -> Floats:
    """Blend (h, w, c) layers by their ownership masks (h, w) that sum to 1; sides are multiples of 2**LEVELS."""
    if len(layers) == 1:
        return layers[0]
    total: list[Floats] = []
    for layer, owner in zip(layers, owners, strict=True):
        bands, shares = _bands(layer), _smoothed(owner)
        parts = [band * _per_channel(share, layer.shape[2]) for band, share in zip(bands, shares, strict=True)]
        total = parts if not total else [a + b for a, b in zip(total, parts, strict=True)]
    return _collapsed(total)


def _bands(layer: Floats) -> list[Floats]:
    """Laplacian pyramid, finest first, low-pass last."""
    bands = []
    current = layer
    for _ in range(LEVELS):
        smaller = _shaped(cv2.pyrDown(current), layer.shape[2])
        bands.append(current - _shaped(cv2.pyrUp(smaller, dstsize=current.shape[1::-1]), layer.shape[2]))
        current = smaller
    return [*bands, current]


def _smoothed(owner: Floats) -> list[Floats]:
    shares = [owner]
    for _ in range(LEVELS):
        shares.append(cv2.pyrDown(shares[-1]))
    return shares


def _per_channel(share: Floats, channels: int) -> Floats:
    """(h, w, channels or 1): side by side in memory, shares are multiplied six times faster than as a lone axis."""
    return np.asarray(cv2.cvtColor(share, cv2.COLOR_GRAY2RGB), np.float32) if channels == 3 else share[..., None]


def _collapsed(bands: Sequence[Floats]) -> Floats:
    current = bands[-1]
    for band in reversed(bands[:-1]):
        current = _shaped(cv2.pyrUp(current, dstsize=band.shape[1::-1]), band.shape[2]) + band
    return current


def _shaped(picture: Floats, channels: int) -> Floats:
    """OpenCV drops a lone channel axis; put it back."""
    return picture.reshape(*picture.shape[:2], channels)
