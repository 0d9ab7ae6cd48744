"""I read the header of a JPEG XL codestream, bit by bit.

In: its first bytes. Out: size, samples, turn, and the color it says it is in.

Reference: ISO/IEC 18181-1:2024, annexes B.2 (bits, numbers, enumerations), D.2 and D.3 (size, metadata), E.2 (color).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stitchbed.reading.metadata.cicp import SRGB, Coded

RATIOS = {1: (1, 1), 2: (12, 10), 3: (4, 3), 4: (3, 2), 5: (16, 9), 6: (5, 4), 7: (2, 1)}  # width : height
GRAY, XYB = 1, 2
WHITE_D65, P3 = 1, 11  # of color encodings; primaries 11 with this white are number 12 of H.273
CUSTOM, UNKNOWN = 2, 2
ALPHA = 0
Option = tuple[int, int]  # (bits, added to them)


@dataclass(frozen=True)
class JxlHeader:
    """height, width : px as shown. channels : 1 or 3. bits : per sample. floating : samples are floating point.

    alpha, associated : there is an alpha channel; it is premultiplied. extra : further channels. coded : the color, or
    None where a profile or numbers of its own say it. profiled : a profile is packed in the file. moving : animation.
    lossy : by its way of coding; one that is not marked may still have been rounded by its writer.
    """

    height: int
    width: int
    channels: int
    bits: int
    floating: bool
    alpha: bool
    associated: bool
    extra: int
    coded: Coded | None
    profiled: bool
    moving: bool
    lossy: bool


class Bits:
    """Bits of bytes, the lowest of each first.

    Raises
    ------
    EOFError : by every method, when there are no more.
    """

    def __init__(self, data: bytes) -> None:
        self._whole = int.from_bytes(data, "little")
        self._left = 8 * len(data)

    def take(self, count: int) -> int:
        """The next bits as a number."""
        if count > self._left:
            raise EOFError("its header is not whole")
        value = self._whole & ((1 << count) - 1)
        self._whole >>= count
        self._left -= count
        return value

    def flag(self) -> bool:
        """The next bit."""
        return bool(self.take(1))

    def one_of(self, options: Sequence[Option]) -> int:
        """One of four ways to write a number, chosen by two bits."""
        count, added = options[self.take(2)]
        return self.take(count) + added

    def enumerated(self) -> int:
        """A number of an enumeration."""
        return self.one_of(((0, 0), (0, 1), (4, 2), (6, 18)))


def jxl_header(codestream: bytes) -> JxlHeader:
    """What a codestream says, from behind its two bytes of signature.

    Raises
    ------
    EOFError : it is not whole.
    """
    bits = Bits(codestream)
    height, width = _size(bits)
    if bits.flag():  # all by default
        return JxlHeader(height, width, 3, 8, False, False, False, 0, Coded(*SRGB), False, False, True)
    turn, moving, extended = 1, False, bits.flag()
    if extended:
        turn, moving = _turn_and_frames(bits)
    depth, floating = _depth(bits)
    bits.flag()  # 16-bit buffers suffice
    kinds = [_extra(bits) for _ in range(bits.one_of(((0, 0), (0, 1), (4, 2), (12, 1))))]
    lossy = bits.flag()  # coded by XYB, which rounds
    channels, coded, profiled = _color(bits)
    alphas = [associated for kind, associated in kinds if kind == ALPHA]
    size = (width, height) if turn >= 5 else (height, width)
    return JxlHeader(
        *size, channels, depth, floating, bool(alphas), alphas[:1] == [True], len(kinds) - len(alphas[:1]), coded,
        profiled, moving, lossy,
    )  # fmt: skip


def _size(bits: Bits) -> tuple[int, int]:
    """(height, width) px."""
    eighths = bits.flag()

    def side() -> int:
        return 8 * (bits.take(5) + 1) if eighths else bits.one_of(((9, 1), (13, 1), (18, 1), (30, 1)))

    height = side()
    ratio = bits.take(3)
    if ratio == 0:
        return height, side()
    across, down = RATIOS[ratio]
    return height, height * across // down


def _turn_and_frames(bits: Bits) -> tuple[int, bool]:
    """Orientation, and whether the picture moves."""
    turn = bits.take(3) + 1
    if bits.flag():
        _size(bits)  # intrinsic
    if bits.flag():
        _preview(bits)
    moving = bits.flag()
    if moving:
        bits.one_of(((0, 100), (0, 1000), (10, 1), (30, 1)))
        bits.one_of(((0, 1), (0, 1001), (8, 1), (10, 1)))
        bits.one_of(((0, 0), (3, 0), (16, 0), (32, 0)))
        bits.flag()
    return turn, moving


def _preview(bits: Bits) -> None:
    eighths = bits.flag()
    side = ((0, 16), (0, 32), (5, 1), (9, 33)) if eighths else ((6, 1), (8, 65), (10, 321), (12, 1345))
    bits.one_of(side)
    if bits.take(3) == 0:
        bits.one_of(side)


def _depth(bits: Bits) -> tuple[int, bool]:
    """(bits per sample, floating point)."""
    if not bits.flag():
        return bits.one_of(((0, 8), (0, 10), (0, 12), (6, 1))), False
    count = bits.one_of(((0, 32), (0, 16), (0, 24), (6, 1)))
    bits.take(4)
    return count, True


def _extra(bits: Bits) -> tuple[int, bool]:
    """(kind, premultiplied) of a channel beside color."""
    if bits.flag():
        return ALPHA, False
    kind = bits.enumerated()
    _depth(bits)
    bits.one_of(((0, 0), (0, 3), (0, 4), (3, 1)))
    bits.take(8 * bits.one_of(((0, 0), (4, 0), (5, 16), (10, 48))))  # its name
    if kind == 2:  # a spot color
        bits.take(64)
    if kind == 5:  # a mosaic
        bits.one_of(((0, 1), (2, 0), (4, 3), (8, 19)))
    return kind, kind == ALPHA and bits.flag()


def _color(bits: Bits) -> tuple[int, Coded | None, bool]:
    """(channels, coded color or None, whether a profile is packed in the file)."""
    if bits.flag():
        return 3, Coded(*SRGB), False
    profiled = bits.flag()
    space = bits.enumerated()
    channels = 1 if space == GRAY else 3
    if profiled or space == XYB:
        return channels, None, profiled
    white = bits.enumerated()
    if white == CUSTOM:
        _points(bits, 1)
    primaries = SRGB[0]
    if space != GRAY:
        primaries = bits.enumerated()
        if primaries == CUSTOM:
            _points(bits, 3)
    gamma = bits.flag()
    transfer = bits.take(24) if gamma else bits.enumerated()
    if gamma or white != WHITE_D65 or primaries == CUSTOM or transfer == UNKNOWN:
        return channels, None, False
    return channels, Coded(12 if primaries == P3 else primaries, transfer), False


def _points(bits: Bits, count: int) -> None:
    for _ in range(2 * count):
        bits.one_of(((19, 0), (19, 524_288), (20, 1_048_576), (21, 2_097_152)))
