"""I check which profiles are taken, by the header ICC.1:2022 (7.2) describes and with profiles of littleCMS."""

from __future__ import annotations

import struct

import pytest
from picture_files import gray_profile, rgb_profile

from stitchbed.reading.metadata.icc import checked_profile, profile_fault


def changed(place: int, value: bytes) -> bytes:
    """The sRGB profile with bytes of its header replaced."""
    icc = bytearray(rgb_profile())
    icc[place : place + len(value)] = value
    return bytes(icc)


def test_a_whole_profile_for_the_picture_s_channels_is_kept() -> None:
    assert struct.unpack(">I", rgb_profile()[:4])[0] == len(rgb_profile())
    assert checked_profile(rgb_profile(), 3) == (rgb_profile(), ())
    assert checked_profile(gray_profile(), 1) == (gray_profile(), ())


@pytest.mark.parametrize("none", [None, b""])
def test_no_profile_is_none_without_a_word(none: bytes | None) -> None:
    assert checked_profile(none, 3) == (None, ())


def test_bytes_behind_the_profile_s_own_end_are_cut_off() -> None:
    assert checked_profile(rgb_profile() + bytes(7), 3) == (rgb_profile(), ())


@pytest.mark.parametrize(
    ("icc", "channels", "words"),
    [
        (b"x" * 131, 3, "no ICC profile"),
        (changed(36, b"scap"), 3, "no ICC profile"),
        (changed(0, bytes([0, 0, 0, 9])), 3, "no ICC profile"),  # it claims to end within its own header
        (rgb_profile()[:-1], 3, f"cut off ({len(rgb_profile()) - 1:,} of {len(rgb_profile()):,} bytes)"),
        (rgb_profile(), 1, "made for RGB, the picture has 1 channel"),
        (gray_profile(), 3, "made for GRAY, the picture has 3 channel"),
        (changed(16, b"    "), 3, "made for another color space"),
    ],
)
def test_others_are_ignored_with_the_reason(icc: bytes, channels: int, words: str) -> None:
    assert words in (profile_fault(icc, channels) or "")
    profile, notes = checked_profile(icc, channels)
    assert profile is None
    assert len(notes) == 1 and "color profile is ignored" in notes[0] and words in notes[0]
