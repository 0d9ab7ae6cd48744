"""I check headers of JPEG XL bit by bit against a second writer of them.

Reference: ISO/IEC 18181-1:2024, annexes B.2 (numbers), D.2 (size), D.3 (metadata), E.2 (color).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jxl_files import Writer

from stitchbed.reading.metadata.cicp import Coded
from stitchbed.reading.metadata.jxl_bits import Bits, JxlHeader, jxl_header

PLAIN = JxlHeader(20, 30, 3, 8, False, False, False, 0, Coded(1, 13), False, False, False)
Part = Callable[[Writer], object]


def nothing(bits: Writer) -> None:
    """No part of a header."""


def size(bits: Writer) -> Writer:
    """30 x 20 px."""
    return bits.put(0).put(0, 2).put(19, 9).put(0, 3).put(0, 2).put(29, 9)


def header(*, extra: Part | None = None, depth: Part | None = None, channels: Part | None = None,
           xyb: bool = False, color: Part | None = None) -> JxlHeader:  # fmt: skip
    """What is read of a header of 30 x 20 px, 8 bits RGB in sRGB where no part says otherwise."""
    bits = size(Writer()).put(0)
    bits.put(extra is not None)
    (extra or nothing)(bits)
    if depth is None:
        bits.put(0).put(0, 2)
    else:
        depth(bits)
    bits.put(1)
    if channels is None:
        bits.put(0, 2)
    else:
        channels(bits)
    bits.put(xyb)
    if color is None:
        bits.put(1)
    else:
        color(bits)
    return jxl_header(bits.bytes())


@given(st.lists(st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, 2**n - 1), st.just(n))), max_size=9))
@settings(max_examples=25, deadline=None)
def test_bits_come_lowest_first(numbers: list[tuple[int, int]]) -> None:
    written = Writer()
    for value, count in numbers:
        written.put(value, count)
    bits = Bits(written.bytes())
    assert [bits.take(count) for _, count in numbers] == [value for value, _ in numbers]


def test_bits_end_with_an_error() -> None:
    bits = Bits(b"\x05")
    assert [bits.flag(), bits.flag(), bits.flag()] == [True, False, True]
    assert bits.take(5) == 0
    with pytest.raises(EOFError):
        bits.take(1)


def test_numbers_of_four_ways_and_of_enumerations() -> None:
    ways = ((0, 7), (3, 1), (4, 9), (6, 25))
    bits = Bits(Writer().put(0, 2).put(1, 2).put(5, 3).put(2, 2).put(15, 4).put(3, 2).put(40, 6).bytes())
    assert [bits.one_of(ways) for _ in range(4)] == [7, 6, 24, 65]
    written = Writer()
    for value in (0, 1, 2, 17, 18, 81):
        written.enumerated(value)
    bits = Bits(written.bytes())
    assert [bits.enumerated() for _ in range(6)] == [0, 1, 2, 17, 18, 81]


def test_a_header_that_is_all_default_is_lossy_srgb() -> None:
    said = jxl_header(size(Writer()).put(1).bytes())
    assert said == replace(PLAIN, lossy=True)


def test_a_header_that_says_everything_itself() -> None:
    assert header() == PLAIN
    assert header(xyb=True) == replace(PLAIN, lossy=True)


@pytest.mark.parametrize(
    ("way", "count", "added", "value"),
    [(0, 9, 1, 1), (0, 9, 1, 512), (1, 13, 1, 513), (2, 18, 1, 9000), (3, 30, 1, 300_000)],
)
def test_sides_of_any_length(way: int, count: int, added: int, value: int) -> None:
    bits = Writer().put(0).put(way, 2).put(value - added, count).put(0, 3).put(0, 2).put(4, 9).put(1)
    assert (jxl_header(bits.bytes()).height, jxl_header(bits.bytes()).width) == (value, 5)


@pytest.mark.parametrize(
    ("ratio", "width"), [(1, 40), (2, 48), (3, 53), (4, 60), (5, 71), (6, 50), (7, 80)]  # of 40 rows, rounded down
)  # fmt: skip
def test_short_ways_to_say_a_size(ratio: int, width: int) -> None:
    bits = Writer().put(1).put(4, 5).put(ratio, 3).put(1).bytes()
    assert (jxl_header(bits).height, jxl_header(bits).width) == (40, width)


def test_both_sides_in_eighths() -> None:
    said = jxl_header(Writer().put(1).put(0, 5).put(0, 3).put(31, 5).put(1).bytes())
    assert (said.height, said.width) == (8, 256)


@pytest.mark.parametrize("turn", range(1, 9))
def test_sides_are_those_shown(turn: int) -> None:
    said = header(extra=lambda bits: bits.put(turn - 1, 3).put(0).put(0).put(0))
    assert said == (replace(PLAIN, height=30, width=20) if turn >= 5 else PLAIN)


@pytest.mark.parametrize("preview", [
    lambda bits: bits.put(1).put(2, 2).put(3, 5).put(0, 3).put(3, 2).put(500, 9),  # in eighths: 1 + 3, 33 + 500
    lambda bits: bits.put(1).put(0, 2).put(2, 3),
    lambda bits: bits.put(0).put(0, 2).put(9, 6).put(0, 3).put(1, 2).put(99, 8),
    lambda bits: bits.put(0).put(2, 2).put(9, 10).put(0, 3).put(3, 2).put(999, 12),
])  # fmt: skip
def test_what_stands_between_is_passed_over(preview: Part) -> None:
    def extra(bits: Writer) -> None:
        bits.put(0, 3)
        size(bits.put(1))  # intrinsic
        preview(bits.put(1))
        bits.put(0)

    assert header(extra=extra) == PLAIN


@pytest.mark.parametrize("rates", [
    lambda bits: bits.put(0, 2).put(0, 2).put(0, 2),
    lambda bits: bits.put(2, 2).put(23, 10).put(2, 2).put(0, 8).put(1, 2).put(5, 3),
    lambda bits: bits.put(3, 2).put(23, 30).put(3, 2).put(0, 10).put(2, 2).put(5, 16),
    lambda bits: bits.put(1, 2).put(1, 2).put(3, 2).put(5, 32),
])  # fmt: skip
def test_moving_pictures_say_so(rates: Part) -> None:
    def extra(bits: Writer) -> None:
        rates(bits.put(0, 3).put(0).put(0).put(1))
        bits.put(1)

    assert header(extra=extra) == replace(PLAIN, moving=True)


@pytest.mark.parametrize(
    ("depth", "bits", "floating"),
    [
        (lambda b: b.put(0).put(0, 2), 8, False), (lambda b: b.put(0).put(1, 2), 10, False),
        (lambda b: b.put(0).put(2, 2), 12, False), (lambda b: b.put(0).put(3, 2).put(15, 6), 16, False),
        (lambda b: b.put(1).put(0, 2).put(7, 4), 32, True), (lambda b: b.put(1).put(1, 2).put(4, 4), 16, True),
        (lambda b: b.put(1).put(2, 2).put(6, 4), 24, True),
        (lambda b: b.put(1).put(3, 2).put(17, 6).put(6, 4), 18, True),
    ],
)  # fmt: skip
def test_bits_per_sample(depth: Part, bits: int, floating: bool) -> None:
    assert header(depth=depth) == replace(PLAIN, bits=bits, floating=floating)


def one(kind: int, *, name: int = 0) -> Part:
    """A channel of a kind, not premultiplied, with a name of so many letters."""

    def channel(bits: Writer) -> None:
        bits.put(0).enumerated(kind).put(0).put(0, 2).put(0, 2)
        way, count, added = next(
            row for row in ((0, 0, 0), (1, 4, 0), (2, 5, 16), (3, 10, 48)) if name - row[2] < 2 ** row[1]
        )
        bits.put(way, 2).put(name - added, count)
        for _ in range(name):
            bits.put(77, 8)
        if kind == 0:
            bits.put(0)
        if kind == 2:
            bits.put(3, 64)
        if kind == 5:
            bits.put(1, 2).put(1, 2)

    return channel


def several(*channels: Part) -> Part:
    """A list of channels."""

    def listed(bits: Writer) -> None:
        if len(channels) == 1:
            bits.put(1, 2)
        else:
            bits.put(2, 2).put(len(channels) - 2, 4)
        for channel in channels:
            channel(bits)

    return listed


def premultiplied(bits: Writer) -> None:
    """An alpha channel that is."""
    bits.put(0).enumerated(0).put(0).put(0, 2).put(3, 2).put(1, 3).put(0, 2).put(1)


@pytest.mark.parametrize(
    ("channels", "alpha", "associated", "extra"),
    [
        (several(lambda bits: bits.put(1)), True, False, 0),
        (several(one(0)), True, False, 0), (several(premultiplied), True, True, 0),
        (several(one(1)), False, False, 1), (several(one(2, name=5)), False, False, 1),
        (several(one(5, name=20), one(0)), True, False, 1), (several(one(16, name=60), premultiplied), True, True, 1),
        (several(one(0), premultiplied), True, False, 1), (several(one(1), one(1), one(1)), False, False, 3),
    ],
)  # fmt: skip
def test_channels_beside_color(channels: Part, alpha: bool, associated: bool, extra: int) -> None:
    # a color that is not default stands behind them: what is passed over must be passed over to the bit
    said = header(channels=channels, color=coded(1, 13))
    assert said == replace(PLAIN, alpha=alpha, associated=associated, extra=extra)


def test_many_channels() -> None:
    def many(bits: Writer) -> None:
        bits.put(3, 2).put(19, 12)
        for _ in range(20):
            one(1)(bits)

    assert header(channels=many).extra == 20


def coded(primaries: int, transfer: int, *, white: int = 1, space: int = 0) -> Part:
    """A color by its numbers."""

    def color(bits: Writer) -> None:
        bits.put(0).put(0).enumerated(space).enumerated(white)
        if white == 2:
            bits.put(0, 2).put(9, 19).put(1, 2).put(9, 19)
        if space != 1:
            bits.enumerated(primaries)
            if primaries == 2:
                for way, count in ((0, 19), (1, 19), (2, 20), (3, 21), (0, 19), (0, 19)):
                    bits.put(way, 2).put(9, count)
        bits.put(0).enumerated(transfer).put(1, 2)

    return color


@pytest.mark.parametrize(
    ("color", "channels", "read"),
    [
        (coded(1, 13), 3, Coded(1, 13)), (coded(9, 16), 3, Coded(9, 16)), (coded(11, 13), 3, Coded(12, 13)),
        (coded(9, 8, white=10), 3, None), (coded(2, 13), 3, None), (coded(2, 13, white=2), 3, None),
        (coded(1, 2), 3, None), (coded(0, 8, space=1), 1, Coded(1, 8)), (coded(0, 13, space=1, white=2), 1, None),
        (lambda bits: bits.put(0).put(0).enumerated(0).enumerated(1).enumerated(1).put(1).put(4_545_455, 24), 3, None),
        (lambda bits: bits.put(0).put(0).enumerated(2), 3, None),  # XYB
    ],
)  # fmt: skip
def test_color_by_its_numbers(color: Part, channels: int, read: Coded | None) -> None:
    assert header(color=color) == replace(PLAIN, channels=channels, coded=read)


@pytest.mark.parametrize(("space", "channels"), [(0, 3), (1, 1)])
def test_a_profile_packed_in_the_file(space: int, channels: int) -> None:
    said = header(color=lambda bits: bits.put(0).put(1).enumerated(space))
    assert said == replace(PLAIN, channels=channels, coded=None, profiled=True)


def test_a_header_cut_off_is_an_error() -> None:
    whole = size(Writer()).put(0).put(0).put(0).put(0, 2).put(1).put(0, 2).put(0).put(1).bytes()
    assert jxl_header(whole) == PLAIN
    for length in range(len(whole)):
        with pytest.raises(EOFError):
            jxl_header(whole[:length])
