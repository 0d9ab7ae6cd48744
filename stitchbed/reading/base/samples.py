"""I unpack samples of any number of bits, and stretch them to 8 or 16 without losing one.

In: bytes of whole rows. Out: whole numbers, as stored or stretched to the full range.
"""

from __future__ import annotations

import numpy as np

from stitchbed.core.arrays import Bytes, Pixels


def from_bits(raw: Bytes, bits: int, width: int, samples: int, order: str = ">") -> Pixels:
    """(rows, width, samples) values as stored, uint8 or (above 8 bits) uint16, of raw (rows, row_bytes) uint8.

    Rows begin at whole bytes, the first sample in the highest bits. order : of bytes where bits is 16.
    """
    rows = raw.shape[0]
    if bits == 16:
        stored = np.ascontiguousarray(raw[:, : 2 * width * samples]).view(order + "u2")
        return stored.astype(np.uint16).reshape(rows, width, samples)
    if bits == 8:
        return raw[:, : width * samples].reshape(rows, width, samples)
    single = np.unpackbits(raw, axis=1, count=width * samples * bits).reshape(rows, width, samples, bits)
    dtype = np.uint8 if bits < 8 else np.uint16
    values = np.zeros(single.shape[:3], dtype)
    for place in range(bits):
        values |= single[..., place].astype(dtype) << np.array(bits - 1 - place, dtype)
    return values


def stretched(values: Pixels, bits: int) -> Pixels:
    """Values of `bits` bits over all of uint8 (to 8 bits) or uint16: white stays white, steps stay apart."""
    if bits in (8, 16):
        return values
    top = 2**bits - 1
    if bits < 8:
        return (values.astype(np.uint16) * 255 // top).astype(np.uint8)
    return ((values.astype(np.uint32) * 65535 + top // 2) // top).astype(np.uint16)
