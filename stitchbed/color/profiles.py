"""I make the profile of an output space, and read what a profile says of its primaries.

In: names of spaces, bytes of profiles. Out: profile bytes written by a library; 3x3 matrices to XYZ under D50.
"""

from __future__ import annotations

import io
import struct

import imagecodecs
import numpy as np
from PIL import ImageCms

from stitchbed.color.cielab import SPACES, xyz_from_rgb
from stitchbed.core.arrays import Array
from stitchbed.imaging.transfer import transfer_of

SAME_LIGHT, SAME_PRIMARIES = 1e-3, 3e-3  # share of white, XYZ: writers of one space differ by a tenth of that

FIXED_DATE = (1998, 1, 1, 0, 0, 0)


def profile_of(space: str) -> bytes:
    """Matrix/curve ICC profile of a space of `lab.SPACES`."""
    known = SPACES[space]
    if space == "srgb":
        return srgb_profile()
    x, y = known.white
    primaries = [value for px, py in known.primaries for value in (float(px), float(py), 1.0)]
    made = imagecodecs.cms_profile("rgb", whitepoint=(float(x), float(y), 1.0), primaries=primaries, gamma=known.gamma)
    return _undated(bytes(made))


def xyz_from_profile(icc: bytes | None) -> Array:
    """(3, 3): linear RGB of a matrix profile -> XYZ under D50; sRGB when there is none or it is no matrix profile."""
    if icc is not None:
        try:
            tags = ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile
            columns = [getattr(tags, f"{name}_colorant") for name in ("red", "green", "blue")]
        except (OSError, ImageCms.PyCMSError):
            columns = []
        if columns and all(column is not None for column in columns):
            return np.array([column[0] for column in columns], dtype=np.float64).T
    return xyz_from_rgb(SPACES["srgb"])


def same_colors(one: bytes | None, other: bytes | None) -> bool:
    """Whether codes mean the same under two profiles; None is sRGB, as pictures without a profile are shown.

    Each writer of a space has bytes of its own. Profiles that are more than a curve and primaries must be equal.
    """
    if one == other:
        return True
    curves = [transfer_of(icc) for icc in (one, other)]
    light = [curve.decode16.reshape(len(curve.decode16), -1) for curve in curves]
    primaries = [xyz_from_profile(icc) for icc in (one, other)]
    alike = np.abs(light[0] - light[1]).max() < SAME_LIGHT and np.abs(np.subtract(*primaries)).max() < SAME_PRIMARIES
    return bool(alike and all(curve.exact for curve in curves))


def _undated(icc: bytes) -> bytes:
    """The profile with a fixed date and no checksum, so that the same picture gives the same file on every day.

    Reference: ICC.1:2022, 7.2.8 (date and time of creation), 7.2.18 (profile ID, zero when not calculated).
    """
    return icc[:24] + struct.pack(">6H", *FIXED_DATE) + icc[36:84] + bytes(16) + icc[100:]


def srgb_profile() -> bytes:
    """An sRGB profile, the same on every machine and every day: the one all files of the house carry."""
    return _undated(bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()))
