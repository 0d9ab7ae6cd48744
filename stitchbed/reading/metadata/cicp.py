"""I make the profile that coded color stands for: primaries and a transfer curve by their numbers.

In: code points as HEIF, AVIF and JPEG XL files carry them. Out: bytes of an ICC profile, the same on every day.

Reference: ITU-T H.273 (2021), tables 2 (primaries) and 3 (transfer); ICC.1:2022, 7.2 (header), 9.2 (tags of display
profiles), 10.18 (parametric curves), annex E (Bradford adaptation to D50).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array

D65 = (0.3127, 0.3290)
D50_XYZ = (0.9642, 1.0, 0.8249)  # ICC.1:2022, 6.3
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])

# number -> x, y of red, green, blue, white
PRIMARIES: dict[int, tuple[tuple[float, float], ...]] = {
    1: ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), D65),
    5: ((0.64, 0.33), (0.29, 0.60), (0.15, 0.06), D65),
    6: ((0.63, 0.34), (0.31, 0.595), (0.155, 0.07), D65),
    7: ((0.63, 0.34), (0.31, 0.595), (0.155, 0.07), D65),
    9: ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046), D65),
    11: ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06), (0.314, 0.351)),
    12: ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06), D65),
}
ALPHA, BETA = 1.09929682680944, 0.018053968510807  # table 3, number 1: where both parts of the curve meet
OF_709 = (1 / 0.45, 1 / ALPHA, 1 - 1 / ALPHA, 1 / 4.5, 4.5 * BETA)
OF_SRGB = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
# number -> gamma alone, or g, a, b, c, d of (a x + b)^g from d on and c x below it
CURVES: dict[int, tuple[float, ...]] = {
    1: OF_709, 4: (2.2,), 5: (2.8,), 6: OF_709, 8: (1.0,), 13: OF_SRGB, 14: OF_709, 15: OF_709,
}  # fmt: skip
HDR = {16: "PQ", 18: "HLG"}
UNSAID = 2
SRGB = (1, 13)


@dataclass(frozen=True)
class Coded:
    """primaries, transfer : numbers of H.273."""

    primaries: int
    transfer: int

    @property
    def plain(self) -> bool:
        """Whether this is sRGB, or what is not said at all: what a picture without profile is taken for."""
        return all(said in (UNSAID, srgb) for said, srgb in zip((self.primaries, self.transfer), SRGB, strict=True))

    @property
    def known(self) -> bool:
        """Whether a profile can be made of it."""
        return self._primaries in PRIMARIES and self._transfer in CURVES

    @property
    def words(self) -> str:
        """What it is called where it cannot be read."""
        if self.transfer in HDR:
            return f"high dynamic range ({HDR[self.transfer]})"
        return f"a color space of unknown number ({self.primaries}, {self.transfer})"

    @property
    def _primaries(self) -> int:
        return SRGB[0] if self.primaries == UNSAID else self.primaries

    @property
    def _transfer(self) -> int:
        return SRGB[1] if self.transfer == UNSAID else self.transfer

    def profile(self, channels: int) -> bytes:
        """An ICC profile of it, for gray (channels 1) or RGB.

        Raises
        ------
        KeyError : not `known`.
        """
        curve = CURVES[self._transfer]
        return gray_profile(curve) if channels == 1 else matrix_profile(PRIMARIES[self._primaries], curve)


def matrix_profile(points: Sequence[tuple[float, float]], curve: Sequence[float], name: str = "coded color") -> bytes:
    """RGB profile of chromaticities (x, y) of red, green, blue, white, and one curve (see CURVES) for all channels."""
    columns = _to_d50(points[3]) @ _xyz_from_rgb(points)
    tags = {b"wtpt": _xyz(D50_XYZ), b"rTRC": _para(curve)}
    tags |= {key: _xyz(column) for key, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns.T, strict=True)}
    return _assembled(b"RGB ", tags | {b"gTRC": tags[b"rTRC"], b"bTRC": tags[b"rTRC"]}, name)


def gray_profile(curve: Sequence[float], name: str = "coded gray") -> bytes:
    """Gray profile of one curve."""
    return _assembled(b"GRAY", {b"wtpt": _xyz(D50_XYZ), b"kTRC": _para(curve)}, name)


def _xyz_from_rgb(points: Sequence[tuple[float, float]]) -> Array:
    """(3, 3) linear RGB -> XYZ under the space's own white (SMPTE RP 177-1993)."""
    xyz = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in points]).T
    return np.asarray(xyz[:, :3] * np.linalg.solve(xyz[:, :3], xyz[:, 3]), np.float64)


def _to_d50(white: tuple[float, float]) -> Array:
    """(3, 3) Bradford adaptation from a white (x, y) to D50."""
    x, y = white
    have, want = BRADFORD @ np.array([x / y, 1.0, (1 - x - y) / y]), BRADFORD @ np.array(D50_XYZ)
    return np.asarray(np.linalg.solve(BRADFORD, np.diag(want / have) @ BRADFORD), np.float64)


def _fixed(values: Sequence[float]) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(float(value) * 65536) for value in values))


def _xyz(values: Sequence[float]) -> bytes:
    return b"XYZ \0\0\0\0" + _fixed(values)


def _para(curve: Sequence[float]) -> bytes:
    """Parametric curve of type 0 (gamma) or 3."""
    return b"para\0\0\0\0" + struct.pack(">HH", 0 if len(curve) == 1 else 3, 0) + _fixed(curve)


def _assembled(space: bytes, tags: dict[bytes, bytes], name: str) -> bytes:
    text = name.encode("utf-16-be")
    said = b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(text), 28) + text
    tags = {b"desc": said, b"cprt": said, **tags}
    rows, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    places: dict[bytes, int] = {}
    for key, data in tags.items():
        if data not in places:
            places[data] = start + len(body)
            body += data + bytes(-len(data) % 4)
        rows += key + struct.pack(">II", places[data], len(data))
    size = start + len(body)
    date = struct.pack(">6H", 1998, 1, 1, 0, 0, 0)
    head = struct.pack(">I4sI4s4s4s", size, b"", 0x04300000, b"mntr", space, b"XYZ ") + date + b"acsp" + bytes(28)
    head += _fixed(D50_XYZ)
    return head + bytes(128 - len(head)) + struct.pack(">I", len(tags)) + rows + body
