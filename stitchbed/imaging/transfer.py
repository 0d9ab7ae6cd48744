"""I go from stored numbers to linear light and back, exactly.

In: uint8/uint16 pixels and the profile they carry. Out: float32 linear light 0..1, and the same stored numbers again.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitchbed.core.arrays import Floats
from stitchbed.imaging.compiled import compiled

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

# Codes of the finest table; decode tables are sampled at every one of them.
FINEST = 65536
PIVOT = 0.4  # linear light a curve leaves alone: the middle of what paper and washes send back
DARKEST = 1e-4  # linear light under which curves go straight on; a third of the first 8-bit step


@dataclass(frozen=True)
class Transfer:
    """The tone curve between stored codes and linear light.

    name : how it was found ("sRGB", "gamma 2.2", "profile").
    decode16 : (65536,) or, where channels differ, (65536, channels) float32, linear light of each 16-bit code.
    encode8 : (65536,) uint8, stored 8-bit code at the square root of light i/65535.
    root_code, root_slope : (65536,) float32, 16-bit code at the square root of light i/65535 and the step to the next.
    exact : False when the profile carries no plain curve and sRGB was assumed.
    """

    name: str
    decode16: Floats
    encode8: NDArray[np.uint8]
    root_code: Floats
    root_slope: Floats
    exact: bool = True

    @property
    def decode8(self) -> Floats:
        """(256,) or (256, channels) float32, linear light of each 8-bit code (code * 257 in 16 bits)."""
        return np.ascontiguousarray(self.decode16[::257])


def srgb_decode(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Encoded 0..1 to linear 0..1. Reference: IEC 61966-2-1:1999."""
    low = encoded / 12.92
    return np.where(encoded <= 0.04045, low, ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4)


def srgb_encode(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear 0..1 to encoded 0..1. Reference: IEC 61966-2-1:1999."""
    high = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, 12.92 * linear, high)


def transfer_of(icc: bytes | None) -> Transfer:
    """The tone curve of a profile: its own when it is a matrix or gray profile, else sRGB (then `exact` is False)."""
    codes = np.linspace(0, 1, FINEST)
    if icc is None:
        return _frozen("sRGB", srgb_decode(codes), exact=True)
    curve = _curve_tag(icc)
    values = None if curve is None else _evaluate(curve, codes)
    if values is None or values[0] > 0.01 or values[-1] < 0.99 or np.any(np.diff(values) < 0):
        return _frozen("sRGB", srgb_decode(codes), exact=False)
    # the profile's rounded numbers may end a few 1e-5 beside 1, where the last codes would be lost
    return _frozen("profile", values / values[-1], exact=True)


def to_linear(stored: Pixels, transfer: Transfer) -> Floats:
    """Stored uint8/uint16 pixels of any shape to float32 linear light, 0..1."""
    return looked_up(stored, transfer.decode8 if stored.dtype == np.uint8 else transfer.decode16)


def to_bent(stored: Pixels, transfer: Transfer) -> Floats:
    """Stored pixels of any shape to float32 linear light times its `curve_term`: what an exponent adds to it."""
    table = transfer.decode8 if stored.dtype == np.uint8 else transfer.decode16
    return looked_up(stored, (table * curve_term(table)).astype(np.float32))


def looked_up(stored: Pixels, table: Floats) -> Floats:
    """What a table has for each code of pixels (h, w, c). table : (codes,), or (codes, c) where channels differ."""
    if table.ndim == 2 and stored.size:
        rows = np.ascontiguousarray(stored).reshape(-1, 1, table.shape[1])
        return np.asarray(cv2.LUT(rows, table[None]), np.float32).reshape(stored.shape)
    if stored.ndim < 2 or stored.size == 0:
        return table[stored]
    looked: Floats = cv2.LUT(np.ascontiguousarray(stored), table)
    return looked.reshape(stored.shape)


def tone_table(
    stored: Pixels,
    transfer: Transfer,
    gain: Sequence[float] = (),
    offset: Sequence[float] = (),
    curve: Sequence[float] = (),
) -> Floats:
    """(channels, 256 or 65536) float32: linear light of each code that pixels (h, w, channels) can hold.

    gain, offset, curve : per channel, for x * exp((curve - 1) * curve_term(x)) * gain with x = light + offset; empty
    for none.
    """
    table = transfer.decode8 if stored.dtype == np.uint8 else transfer.decode16
    if not len(gain):
        return np.repeat(table[None], stored.shape[2], axis=0)
    channels = np.asarray(gain, np.float32)[:, None], np.asarray(offset, np.float32)[:, None]
    light = table + channels[1]
    if len(curve) and np.any(np.asarray(curve) != 1):
        exponent = np.asarray(curve, np.float64)[:, None] - 1
        light = (light * np.exp(exponent * curve_term(light))).astype(np.float32)
    return np.ascontiguousarray(light * channels[0])


def curve_term(light: NDArray[Any]) -> NDArray[np.float64]:
    """What an exponent 1 + d on encoded values adds to the log of linear light, per d; 0 at light PIVOT.

    The derivative of log decode(encode(light) ** p) by p at p = 1, of the sRGB curve. Programs that darken or lighten
    a scan put an exponent on its encoded values. To first order this undoes it: for exponents of .85 to 1.15 to 1 % of
    the light of washes and to 5 % of that of the darkest ink, under .0007 of white.
    """
    encoded = srgb_encode(np.maximum(np.asarray(light, np.float64), DARKEST))
    return _log_by_exponent(encoded) - _log_by_exponent(srgb_encode(np.array(PIVOT)))


def _log_by_exponent(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    slope = np.where(encoded <= 0.04045, 1.0, 2.4 * encoded / (encoded + 0.055))
    return np.asarray(slope * np.log(encoded), np.float64)


def to_stored(linear: Floats, dtype: str, transfer: Transfer) -> Pixels:
    """Float32 linear light to stored codes, rounded to nearest, clipped to 0..1.

    Exact inverse of `to_linear` for every code of either depth.
    """
    flat = np.ascontiguousarray(linear, np.float32).reshape(-1)
    if dtype == "uint8":
        codes8 = np.empty(flat.size, np.uint8)
        _codes8(flat, transfer.encode8, codes8)
        return codes8.reshape(linear.shape)
    codes16 = np.empty(flat.size, np.uint16)
    _codes16(flat, transfer.root_code, transfer.root_slope, codes16)
    return codes16.reshape(linear.shape)


@compiled
def _position(light: np.float32, entries: int) -> np.float32:
    """Where light, clipped to 0..1, lies in a table of that many entries over its square root; no number is black."""
    positive = light if light > 0 else np.float32(0)
    share = positive if positive < 1 else np.float32(1)
    return np.sqrt(share) * np.float32(entries - 1)


@compiled
def _codes8(light: Floats, table: NDArray[np.uint8], codes: NDArray[np.uint8]) -> None:
    """Fill `codes` (n,) with the nearest entries."""
    for i in range(light.size):
        codes[i] = table[np.uint32(_position(light[i], table.size) + np.float32(0.5))]


@compiled
def _codes16(light: Floats, code: Floats, slope: Floats, codes: NDArray[np.uint16]) -> None:
    """Fill `codes` (n,): the curve over the root of light is nearly straight between entries."""
    for i in range(light.size):
        position = _position(light[i], code.size)
        low = min(np.uint32(position), np.uint32(code.size - 2))
        codes[i] = np.uint16(code[low] + (position - np.float32(low)) * slope[low] + np.float32(0.5))


def _encode_table(decoded: NDArray[np.float64]) -> NDArray[np.uint8]:
    """(65536,) uint8: stored 8-bit code of each square root of light i/65535, nearest in stored space.

    The root keeps the darkest codes apart: in a plain 2.2 curve code 1 is 5e-6 of light, less than a step of 16 bits.
    """
    middles = decoded[128::257][:255]  # encoded (code + .5)/255 lies at 16-bit code 257*code + 128.5
    middles = (middles + decoded[129::257][:255]) / 2
    root = np.arange(FINEST) / (FINEST - 1)
    return np.searchsorted(middles, root**2, side="right").astype(np.uint8)


def _root_tables(decoded: NDArray[np.float64]) -> tuple[Floats, Floats]:
    root = np.linspace(0, 1, FINEST)
    code = np.interp(root**2, decoded, np.arange(FINEST, dtype=np.float64))
    return code.astype(np.float32), np.append(np.diff(code), 0).astype(np.float32)


def _frozen(name: str, values: NDArray[np.float64], *, exact: bool) -> Transfer:
    tables = (values.astype(np.float32), _encode_table(values), *_root_tables(values))
    for table in tables:
        table.flags.writeable = False
    return Transfer(name, *tables, exact=exact)


def _curve_tag(icc: bytes) -> bytes | None:
    """The rTRC or kTRC tag's bytes. Reference: ICC.1:2022, 7.3 (tag table)."""
    if len(icc) < 132:
        return None
    (count,) = struct.unpack(">I", icc[128:132])
    for index in range(min(count, 200)):
        entry = icc[132 + 12 * index : 144 + 12 * index]
        if len(entry) == 12 and entry[:4] in (b"rTRC", b"kTRC"):
            offset, size = struct.unpack(">II", entry[4:])
            return icc[offset : offset + size]
    return None


def _evaluate(tag: bytes, x: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Curve value at x in 0..1. Reference: ICC.1:2022, 10.6 (curveType) and 10.18 (parametricCurveType)."""
    if tag[:4] == b"curv" and len(tag) >= 12:
        (count,) = struct.unpack(">I", tag[8:12])
        values = np.frombuffer(tag[12 : 12 + 2 * count], ">u2")
        if len(values) != count:
            return None
        if count == 0:
            return x.copy()
        return x ** (float(values[0]) / 256) if count == 1 else np.interp(x, np.linspace(0, 1, count), values / 65535)
    if tag[:4] == b"para" and len(tag) >= 16:
        return _parametric(struct.unpack(">H", tag[8:10])[0], np.frombuffer(tag[12:], ">i4", (len(tag) - 12) // 4), x)
    return None


def _parametric(kind: int, fixed: NDArray[np.int32], x: NDArray[np.float64]) -> NDArray[np.float64] | None:
    p = fixed.astype(np.float64) / 65536
    needed = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}
    if kind not in needed or len(p) < needed[kind]:
        return None
    if kind == 0:
        return x ** p[0]
    g, a, b = p[:3]
    curve = np.maximum(a * x + b, 0) ** g
    if kind in (1, 2):
        shift = p[3] if kind == 2 else 0.0
        return np.where(x >= -b / a, curve, 0.0) + shift
    c, d = p[3:5]
    e, f = (p[5], p[6]) if kind == 4 else (0.0, 0.0)
    return np.where(x >= d, curve + e, c * x + f)
