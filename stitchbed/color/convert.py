"""I carry colors from one profile to another.

In: stored codes and ICC profiles. Out: stored codes in the other profile, 8 or 16 bits as they came.
"""

from __future__ import annotations

import io
from collections.abc import Callable

import imagecodecs
import numpy as np
from PIL import Image, ImageCms

from stitchbed.color.profiles import srgb_profile
from stitchbed.core.arrays import Bytes, Pixels
from stitchbed.core.errors import BadSettings
from stitchbed.imaging.transfer import srgb_encode, to_linear, transfer_of


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


def srgb_view(icc: bytes | None, channels: int) -> Callable[[Bytes], Bytes]:
    """A function from stored 8-bit pixels (h, w, channels) to sRGB (h, w, 3); without a usable profile numbers stay."""
    transform = _transform(icc, channels) if icc else None

    def convert(pixels: Bytes) -> Bytes:
        flat = pixels[..., 0] if channels == 1 else pixels
        if transform is not None:
            image = ImageCms.applyTransform(Image.fromarray(np.ascontiguousarray(flat)), transform)
            if image is not None:
                return np.asarray(image)
        return np.repeat(pixels, 3, axis=2) if channels == 1 else pixels

    return convert


def _transform(icc: bytes, channels: int) -> ImageCms.ImageCmsTransform | None:
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        if "sRGB" in (ImageCms.getProfileDescription(profile) or "") and channels == 3:
            return None
        srgb = ImageCms.createProfile("sRGB")
        mode = "L" if channels == 1 else "RGB"
        return ImageCms.buildTransform(profile, srgb, mode, "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC)
    except (ImageCms.PyCMSError, OSError):
        return None  # a profile of another kind: the page then shows the numbers as they are
