"""I carry colors from one profile to another.

In: stored codes and ICC profiles. Out: stored codes in the other profile, 8 or 16 bits as they came.
"""

from __future__ import annotations

import imagecodecs
import numpy as np
from PIL import ImageCms

from stitchbed.core.arrays import Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.imaging.transfer import srgb_encode, to_linear, transfer_of


def srgb_profile() -> bytes:
    """An sRGB profile, the same on every machine."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = bytes((7, 206, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0))  # date of creation (ICC.1:2022, 7.2.8): 1998-01-01
    profile[84:100] = bytes(16)  # profile ID, which would no longer fit
    return bytes(profile)


def to_srgb(codes: Pixels, icc: bytes | None) -> Pixels:
    """(h, w, 1 or 3) codes of a page as (h, w, 3) sRGB codes of the same depth; sRGB without a profile.

    Raises
    ------
    BadSettings : the profile is neither gray nor RGB.
    """
    if icc is None:
        return np.repeat(codes, 3, axis=2) if codes.shape[2] == 1 else codes
    if codes.shape[2] == 1:
        return np.repeat(_gray_to_srgb(codes, icc), 3, axis=2)
    return _converted(codes, icc, srgb_profile())


def from_srgb(rgb: tuple[int, int, int], icc: bytes | None, dtype: str) -> Pixels:
    """(3,) codes of an 8-bit sRGB color in an RGB profile (sRGB when None), at the depth of `dtype`."""
    codes = (np.array(rgb, np.uint16) * 257).reshape(1, 1, 3)
    moved = codes if icc is None else _converted(codes, srgb_profile(), icc)
    return np.asarray(np.rint(moved.ravel() / 257) if dtype == "uint8" else moved.ravel()).astype(dtype)


def hex_color(text: str) -> tuple[int, int, int]:
    """8-bit red, green, blue of "#rrggbb".

    Raises
    ------
    BadSettings : it is written otherwise.
    """
    digits = text.removeprefix("#")
    if len(digits) != 6 or any(d not in "0123456789abcdefABCDEF" for d in digits):
        raise BadSettings(f"the color {text!r}", expected="a color like #1f3a93", attempt="#000000")
    return int(digits[:2], 16), int(digits[2:4], 16), int(digits[4:], 16)


def _gray_to_srgb(codes: Pixels, icc: bytes) -> Pixels:
    """Gray codes by their tone curve alone: a gray profile's white becomes sRGB's."""
    top = np.iinfo(codes.dtype).max
    light = to_linear(codes, transfer_of(icc)).astype(np.float64)
    return np.asarray(np.rint(srgb_encode(light) * top), codes.dtype)


def _converted(codes: Pixels, source: bytes, target: bytes) -> Pixels:
    """RGB codes through both profiles, relative colorimetric with the black points matched."""
    try:
        # littleCMS flag cmsFLAGS_BLACKPOINTCOMPENSATION; intent 1 is relative colorimetric
        out = imagecodecs.cms_transform(
            np.ascontiguousarray(codes), source, target, colorspace="rgb", outcolorspace="rgb", intent=1, flags=0x2000
        )
    except (ValueError, imagecodecs.CmsError) as error:
        raise BadSettings(
            f"a profile that does not convert ({error})", expected="an RGB profile", attempt="converting the page first"
        ) from error
    return np.asarray(out).reshape(codes.shape)
