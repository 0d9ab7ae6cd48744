"""I make one small file of every kind that can be read, with the pixels that must come out of it.

In: nothing. Out: `Made` files. All pictures show the same smooth scene with a little grain.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from jpeg_bytes import exif, jfif, jpeg, profile_segments, segment, webp
from PIL import ImageCms
from png_bytes import chunk, density_chunk, png, profile_chunk
from tiff_bytes import Plan, tiff

HEIGHT, WIDTH = 53, 71  # px; odd, so that neither strips, tiles nor cells fit


@dataclass(frozen=True)
class Made:
    """A file and what must be read from it. color : (h, w, c); alpha : (h, w) straight, or None.

    off : largest difference of codes; 0 where the file keeps pixels exactly.
    """

    name: str
    data: bytes
    color: np.ndarray
    alpha: np.ndarray | None = None
    off: int = 0
    bits: int = 8
    dpi: tuple[float, float] | None = (300.0, 300.0)
    icc: bytes | None = None

    def write(self, folder: Path) -> Path:
        """Write the file into `folder`."""
        path = folder / self.name
        path.write_bytes(self.data)
        return path


@cache
def rgb_profile() -> bytes:
    """sRGB as a profile (made by littleCMS)."""
    return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())


def gray_profile() -> bytes:
    """A profile that says it is gray: the header of another, with its color space replaced (ICC.1:2022, 7.2)."""
    icc = bytearray(rgb_profile())
    icc[16:20] = b"GRAY"
    return bytes(icc)


def scene(samples: int = 3, dtype: str = "uint8", height: int = HEIGHT, width: int = WIDTH) -> np.ndarray:
    """(height, width, samples): smooth waves with grain; a fourth sample has holes, as an alpha channel has."""
    rows, cols = np.mgrid[:height, :width]
    waves = [0.5 + 0.4 * np.sin(rows / (9 + k) + cols / (13 - k) + k) for k in range(samples)]
    grain = np.random.default_rng(5).normal(0, 0.01, (height, width, samples))
    light = np.clip(np.stack(waves, axis=2) + grain, 0, 1)
    if samples in (2, 4):
        light[: height // 3, : width // 3, -1] = 0
        light[height // 2 :, :, -1] = 1
    return np.rint(light * np.iinfo(dtype).max).astype(dtype)


def indices(colors: int) -> np.ndarray:
    """(HEIGHT, WIDTH, 1) numbers of a palette."""
    return (scene(1)[..., :1].astype(int) * colors // 256).astype(np.uint8)


def palette(colors: int) -> np.ndarray:
    """(colors, 3) uint8, all different."""
    steps = np.arange(colors)
    return np.stack([steps * 255 // max(1, colors - 1), 255 - steps, steps * 37 % 256], axis=1).astype(np.uint8)


@cache
def made_files() -> tuple[Made, ...]:
    """One file of every kind."""
    return (*plain_tiffs(), *odd_tiffs(), *pngs(), *jpegs(), *webps())


def plain_tiffs() -> list[Made]:
    """Every compression, both ways to cut, both byte orders, 8 and 16 bits."""
    files = []
    for compression, word in (
        (1, "none"),
        (5, "lzw"),
        (8, "deflate"),
        (32946, "old-deflate"),
        (32773, "packbits"),
        (50000, "zstd"),
    ):
        predictor = 2 if word in ("lzw", "deflate", "zstd") else 1
        for piece, cut in ((10, "strips"), ((16, 32), "tiles")):
            for dtype, order, samples in (("uint8", "<", 3), ("uint16", ">", 3), ("uint16", "<", 1)):
                pixels = scene(samples, dtype)
                plan = Plan(order=order, compression=compression, predictor=predictor, piece=piece)
                name = f"{word}-{cut}-{dtype}-{samples}.tif"
                files.append(Made(name, tiff(pixels, plan), pixels, bits=8 * pixels.itemsize))
    return files


def odd_tiffs() -> list[Made]:
    """BigTIFF, planes apart, alpha, palettes, single bits, JPEG inside."""
    rgb, rgba, gray = scene(3), scene(4), scene(1)
    rgb16, gray16 = scene(3, "uint16"), scene(1, "uint16")
    bits = (gray > 128).astype(np.uint8)
    woven = Plan(planar=2, compression=5, piece=(16, 16), alpha=2)
    icc = {34675: (7, rgb_profile())}
    files = [
        Made("big.tif", tiff(rgb, Plan(big=True)), rgb),
        Made("big-tiles.tif", tiff(rgb, Plan(big=True, order=">", compression=8, piece=(32, 16))), rgb),
        Made("planes.tif", tiff(rgb, Plan(planar=2)), rgb),
        Made("planes-16.tif", tiff(rgb16, Plan(planar=2, compression=8, predictor=2)), rgb16, bits=16),
        Made("planes-tiles.tif", tiff(rgba, woven), rgb4(rgba), rgba[..., 3]),
        Made("alpha.tif", tiff(rgba, Plan(alpha=2)), rgb4(rgba), rgba[..., 3]),
        Made("gray-alpha.tif", tiff(scene(2), Plan(alpha=2, photometric=1)), scene(2)[..., :1], scene(2)[..., 1]),
        Made("infrared.tif", tiff(rgba, Plan(alpha=0)), rgb4(rgba)),
        Made("white-is-zero.tif", tiff(255 - gray, Plan(photometric=0)), gray),
        Made("white-is-zero-16.tif", tiff(65535 - gray16, Plan(photometric=0, compression=8)), gray16, bits=16),
        Made("bits.tif", tiff(bits, Plan(bits=1)), bits * 255, bits=1),
        Made("bits-packed.tif", tiff(1 - bits, Plan(bits=1, photometric=0, compression=32773)), bits * 255, bits=1),
        Made("bits-turned.tif", tiff(bits, Plan(bits=1, low_bit_first=True)), bits * 255, bits=1),
        Made("profile.tif", tiff(rgb, Plan(extra=icc)), rgb, icc=rgb_profile()),
        Made("one-strip.tif", tiff(rgb, Plan(compression=8, piece=HEIGHT)), rgb),
    ]  # fmt: skip
    for depth in (1, 2, 4, 8):
        table = palette(2**depth)
        stored = {320: (3, (table.T.astype(int) * 257).ravel().tolist())}
        plan = Plan(bits=depth, photometric=3, extra=stored)
        files.append(
            Made(f"palette-{depth}.tif", tiff(indices(2**depth), plan), table[indices(2**depth)[..., 0]], bits=depth)
        )
    for photometric, name, off in ((2, "jpeg-rgb", 12), (6, "jpeg-ycc", 40)):
        plan = Plan(compression=7, photometric=photometric, piece=(32, 32))
        files.append(Made(f"{name}.tif", tiff(rgb, plan), rgb, off=off))
    files.append(Made("jpeg-gray.tif", tiff(gray, Plan(compression=7, piece=16)), gray, off=12))
    return [*files, premultiplied("uint8", 2), premultiplied("uint16", 2)]


def rgb4(pixels: np.ndarray) -> np.ndarray:
    """The color of RGBA."""
    return pixels[..., :3]


def premultiplied(dtype: str, off: int) -> Made:
    """Associated alpha; what comes out is exact where alpha is full, and as good as its steps allow elsewhere."""
    pixels = scene(4, dtype)
    alpha = pixels[..., 3]
    top = np.iinfo(dtype).max
    alpha = np.where(alpha > 0, np.maximum(alpha, top // 2), 0).astype(dtype)
    stored = np.rint(rgb4(pixels) * (alpha[..., None] / top)).astype(dtype)
    straight = np.where(alpha[..., None] > 0, rgb4(pixels), 0).astype(dtype)
    data = tiff(np.dstack([stored, alpha]), Plan(alpha=1))
    return Made(f"premultiplied-{dtype}.tif", data, straight, alpha, off=off, bits=8 * pixels.itemsize)


def pngs() -> list[Made]:
    """Every color type and depth that is read, with and without interlace, with transparency."""
    density = density_chunk(11811, 11811)
    files = []
    for samples in (1, 2, 3, 4):
        for dtype in ("uint8", "uint16"):
            for interlace in (False, True):
                pixels = scene(samples, dtype)
                color = pixels[..., : 1 if samples < 3 else 3]
                alpha = pixels[..., -1] if samples in (2, 4) else None
                data = png(pixels, interlace=interlace, before=[density], split=3)
                name = f"{samples}-{dtype}-{'woven' if interlace else 'plain'}.png"
                files.append(Made(name, data, color, alpha, bits=8 * pixels.itemsize))
    bits = (scene(1) > 128).astype(np.uint8)
    files.append(Made("bits.png", png(bits, depth=1, before=[density]), bits * 255, bits=1))
    for depth in (1, 2, 4, 8):
        table = palette(2**depth)
        chunks = [chunk(b"PLTE", table.tobytes()), density]
        shown = table[indices(2**depth)[..., 0]]
        files.append(
            Made(f"palette-{depth}.png", png(indices(2**depth), depth=depth, kind=3, before=chunks), shown, bits=depth)
        )
    rgb = scene(3)
    key = rgb[7, 9]
    opaque = np.where((rgb == key).all(axis=2), 0, 255).astype(np.uint8)
    keyed = [chunk(b"tRNS", key.astype(">u2").tobytes()), density]
    files.append(Made("keyed.png", png(rgb, before=keyed), rgb, opaque))
    files.append(Made("profile.png", png(rgb, before=[profile_chunk(rgb_profile()), density]), rgb, icc=rgb_profile()))
    return files


def jpegs() -> list[Made]:
    """Gray and color; density by JFIF or EXIF; a profile in two parts."""
    rgb, gray = scene(3), scene(1)
    inch = jfif(1, 300, 300)
    said = segment(0xE1, b"Exif\0\0" + exif(dpi=300))
    return [
        Made("gray.jpg", jpeg(gray, inch), gray, off=12),
        Made("color.jpg", jpeg(rgb, inch), rgb, off=16),
        Made("quarter-color.jpg", jpeg(rgb, inch, subsampling="420"), rgb, off=40),
        Made("exif.jpg", jpeg(rgb, said), rgb, off=16),
        Made("profile.jpg", jpeg(rgb, inch, profile_segments(rgb_profile(), 400)), rgb, off=16, icc=rgb_profile()),
    ]


def webps() -> list[Made]:
    """Lossless, without and with alpha, profile and EXIF."""
    rgb, rgba = scene(3), scene(4)
    plain = Made("plain.webp", webp(rgb), rgb, dpi=None)
    full = webp(rgb, icc=rgb_profile(), exif_data=exif(dpi=300))
    rgba[rgba[..., 3] == 0] = 0  # the encoder clears hidden pixels
    return [
        plain,
        Made("profile.webp", full, rgb, icc=rgb_profile()),
        replace(plain, name="alpha.webp", data=webp(rgba), color=rgb4(rgba), alpha=rgba[..., 3]),
    ]
