"""I make PNG, JPEG, WebP and other files that are damaged, hostile or merely odd, each with what must come of it.

In: nothing. Out: `Bad` files.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator

import imagecodecs
import numpy as np
from bad_case import Bad
from bad_tiffs import jpeg_of_size
from jpeg_bytes import box, exif, jfif, jpeg, profile_segments, segment, webp
from picture_files import HEIGHT, WIDTH, gray_profile, indices, palette, rgb_profile, scene
from PIL import Image
from png_bytes import MAGIC, chunk, density_chunk, filtered, header, png, profile_chunk

from stitchbed.core.errors import CanvasTooLarge

ROWS = zlib.compress(filtered(scene(), 8))
END = chunk(b"IEND", b"")


def bad_stills() -> Iterator[Bad]:
    """All of them."""
    yield from png_cut_off()
    yield from png_wrong()
    yield from png_odd_but_fine()
    yield from jpeg_wrong()
    yield from jpeg_odd_but_fine()
    yield from webp_files()
    yield from no_pictures()


def png_of(*chunks: bytes) -> bytes:
    """A PNG of the chunks given."""
    return MAGIC + b"".join(chunks)


def png_cut_off() -> Iterator[Bad]:
    """A sound PNG cut at every chunk and within."""
    whole = png(scene(), before=[density_chunk(11811, 11811), profile_chunk(rgb_profile())], split=2)
    place, points = 8, {"4": 4, "magic": 8}
    for number in range(6):
        length, name = struct.unpack(">I4s", whole[place : place + 8])
        points[f"{number}-{name.decode()}-name"] = place + 8
        points[f"{number}-{name.decode()}"] = place + 8 + length // 2
        place += 12 + length
        points[f"{number}-after"] = place
    points.pop("5-after")
    for word, size in points.items():
        yield Bad(f"cut-{word}.png", whole[:size])


def png_wrong() -> Iterator[Bad]:
    """PNG files that are refused."""
    head, data = header(WIDTH, HEIGHT, 8, 2), chunk(b"IDAT", ROWS)
    yield Bad("no-data.png", png_of(head, END), words="0 bytes of image data")
    yield Bad("no-header.png", png_of(data, END), words="does not begin with a PNG header")
    yield Bad("long-header.png", png_of(chunk(b"IHDR", bytes(14)), data, END), words="does not begin")
    for word, size in (("0", (0, HEIGHT)), ("0-rows", (WIDTH, 0))):
        yield Bad(f"width-{word}.png", png_of(header(*size, 8, 2), data, END), words="claims a size of")
    yield Bad(
        "sides-2-billion.png", png_of(header(2**31 - 1, 2**31 - 1, 8, 2), data, END), CanvasTooLarge, "megapixels"
    )
    yield Bad("ten-gigapixels.png", png_of(header(10**5, 10**5, 8, 2), data, END), CanvasTooLarge, "10,000 megapixels")
    yield Bad("three-gigapixels.png", png_of(header(60000, 50000, 16, 6), data, END), words="cannot hold")
    yield Bad("two-million-wide.png", png_of(header(2 * 10**6, 1, 8, 0), data, END), words="longer than")
    for depth, kind in ((3, 0), (2, 0), (4, 0), (0, 2), (1, 2), (16, 3), (32, 2), (8, 7), (8, 1)):
        words = f"{depth} bits per sample, color type {kind}"
        yield Bad(f"depth-{depth}-kind-{kind}.png", png_of(header(WIDTH, HEIGHT, depth, kind), data, END), words=words)
    for place, word in ((26, "compression"), (27, "filter"), (28, "interlace")):
        odd = bytearray(png_of(head, data, END))
        odd[place] = 9
        odd[29:33] = struct.pack(">I", zlib.crc32(odd[12:29]))
        yield Bad(f"method-{word}.png", bytes(odd), words="method")
    yield Bad("palette-missing.png", png_of(header(WIDTH, HEIGHT, 8, 3), data, END), words="palette")
    yield Bad("palette-empty.png", png_of(header(WIDTH, HEIGHT, 8, 3), chunk(b"PLTE", b""), data, END), words="palette")
    yield Bad("wrong-check-sum.png", png_of(head, data[:-1] + bytes([data[-1] ^ 1]), END), words="check sum")
    junk = np.random.default_rng(3).integers(0, 256, 3000, dtype=np.uint8).tobytes()
    yield Bad("junk.png", png_of(head, chunk(b"IDAT", junk), END))
    short = zlib.compress(filtered(scene()[:-1], 8))
    yield Bad("row-missing.png", png_of(head, chunk(b"IDAT", short), END), words="image data end after")
    yield Bad("row-missing-woven.png", png_of(header(WIDTH, HEIGHT, 8, 2, 1), chunk(b"IDAT", short), END))
    yield Bad("stream-cut.png", png_of(head, chunk(b"IDAT", ROWS[: len(ROWS) // 2]), END), words="image data end after")
    odd_filter = zlib.compress(b"\x07" + filtered(scene(), 8)[1:])
    yield Bad("filter-7.png", png_of(head, chunk(b"IDAT", odd_filter), END))


def png_odd_but_fine() -> Iterator[Bad]:
    """PNG files that are read, some with a note."""
    head, data = header(WIDTH, HEIGHT, 8, 2), chunk(b"IDAT", ROWS)
    more = chunk(b"IDAT", zlib.compress(filtered(scene(), 8) + bytes(5000)))
    yield Bad("too-much-data.png", png_of(head, more, END), None)
    yield Bad("behind-the-end.png", png_of(head, data, END) + b"more" * 99, None)
    yield Bad("empty-data-chunks.png", png_of(head, chunk(b"IDAT", b""), data, chunk(b"IDAT", b""), END), None)
    moving = chunk(b"acTL", struct.pack(">II", 1, 0))
    yield Bad("moving.png", png_of(head, moving, data, END), None)
    yield Bad("text-of-a-megabyte.png", png_of(head, chunk(b"tEXt", b"a\0" + b"b" * 2**20), data, END), None)
    yield Bad(
        "both-srgb-and-profile.png", png_of(head, chunk(b"sRGB", b"\0"), profile_chunk(rgb_profile()), data, END), None
    )
    small = [chunk(b"PLTE", palette(4).tobytes())]
    yield Bad("palette-short.png", png(indices(256), kind=3, before=small), None)
    keys = [chunk(b"tRNS", b"\0\1")]
    yield Bad("key-short.png", png(scene(), before=keys), None)
    yield Bad("key-for-alpha.png", png(scene(4), before=keys), None)
    yield Bad("key-long.png", png(indices(4), kind=3, before=[*small, chunk(b"tRNS", bytes(300))]), None)
    for word, icc, said in (
        ("none", b"junk" * 50, "no ICC"),
        ("gray", gray_profile(), "GRAY"),
        ("cut", rgb_profile()[:400], "cut off"),
    ):
        yield Bad(f"profile-{word}.png", png(scene(), before=[profile_chunk(icc)]), None, said)
    yield Bad("profile-torn.png", png(scene(), before=[chunk(b"iCCP", b"a\0\0" + b"junk" * 9)]), None, "damaged")
    yield Bad("profile-nameless.png", png(scene(), before=[chunk(b"iCCP", b"x" * 200)]), None, "profile is ignored")
    yield Bad("profile-of-100-mb.png", png(scene(), before=[profile_chunk(bytes(100 * 2**20))]), None, "far too large")
    for word, x in (("zero", 0), ("one", 1), ("huge", 2**32 - 1)):
        yield Bad(f"dpi-{word}.png", png(scene(), before=[density_chunk(x, x)]), None)
    for word, said in (("junk", b"junk"), ("empty", b""), ("turn-9", exif(turn=9)), ("cut", exif(turn=3)[:-9])):
        yield Bad(f"exif-{word}.png", png(scene(), before=[chunk(b"eXIf", said)]), None)
    yield Bad("one-pixel.png", png(scene(height=1, width=1)), None)
    yield Bad("one-row.png", png(scene(height=1, width=100_000)), None)
    yield Bad("one-column.png", png(scene(1, height=3000, width=1)), None)
    yield Bad("one-pixel-woven.png", png(scene(height=1, width=1), interlace=True), None)


def jpeg_wrong() -> Iterator[Bad]:
    """JPEG files that are refused."""
    whole = jpeg(scene(), jfif(1, 300, 300))
    frame, scan = whole.index(b"\xff\xc0"), whole.index(b"\xff\xda")
    points = {
        "start": 2, "marker": 3, "density": 12, "tables": 40, "frame": frame + 6, "scan": scan + 5, "data": scan + 400,
        "half": (scan + len(whole)) // 2, "end": len(whole) - 2, "last": len(whole) - 1,
    }  # fmt: skip
    for word, size in points.items():
        yield Bad(f"cut-{word}.jpg", whole[:size])
    slow = io.BytesIO()
    Image.fromarray(scene()).save(slow, "JPEG", progressive=True)
    yield Bad("cut-progressive.jpg", slow.getvalue()[:-900])
    inks = io.BytesIO()
    Image.fromarray(scene(4), "CMYK").save(inks, "JPEG")
    yield Bad("cmyk.jpg", inks.getvalue(), words="CMYK")
    for word, at, value in (("12-bits", frame + 4, 12), ("lossless", frame + 1, 0xC3), ("arithmetic", frame + 1, 0xC9)):
        yield Bad(f"{word}.jpg", whole[:at] + bytes([value]) + whole[at + 1 :], words="a kind that is not read")
    yield Bad("no-height.jpg", jpeg_of_size(0, 16), words="no height")
    yield Bad("no-width.jpg", jpeg_of_size(16, 0), words="claims a size of")
    yield Bad("sides-65535.jpg", jpeg_of_size(65535, 65535), CanvasTooLarge, "megapixels")
    yield Bad("one-side-65535.jpg", jpeg_of_size(16, 65535), words="longer than")
    yield Bad("sides-60000.jpg", jpeg_of_size(60000, 60000), CanvasTooLarge, "GiB when decoded")
    yield Bad("sides-20000.jpg", jpeg_of_size(20000, 20000), words="cannot hold")
    yield Bad("two-channels.jpg", two_components(whole, frame), words="2 channels")


def two_components(whole: bytes, frame: int) -> bytes:
    """The file with a frame of two components."""
    size = struct.unpack(">H", whole[frame + 2 : frame + 4])[0]
    head = struct.pack(">HBHHB", 14, 8, HEIGHT, WIDTH, 2) + b"\1\x11\0\2\x11\1"
    return whole[: frame + 2] + head + whole[frame + 2 + size :]


def jpeg_odd_but_fine() -> Iterator[Bad]:
    """JPEG files that are read, some with a note."""
    whole = jpeg(scene(), jfif(1, 300, 300))
    yield Bad("behind-the-end.jpg", whole + b"more" * 999, None)
    yield Bad("two-pictures.jpg", whole + whole, None)
    yield Bad("filled.jpg", whole[:2] + b"\xff\xff\xff" + whole[2:], None)
    for word, x in (("zero", 0), ("huge", 65535)):
        yield Bad(f"dpi-{word}.jpg", jpeg(scene(), jfif(1, x, x)), None)
    yield Bad("exif-junk.jpg", jpeg(scene(), segment(0xE1, b"Exif\0\0junk")), None)
    yield Bad("exif-turn-0.jpg", jpeg(scene(), segment(0xE1, b"Exif\0\0" + exif(turn=0))), None)
    yield Bad("exif-in-a-circle.jpg", jpeg(scene(), segment(0xE1, b"Exif\0\0II*\0\x08\0\0\0" + bytes(9))), None)
    missing = profile_segments(rgb_profile(), 200)[218:]  # the first of several parts is gone
    yield Bad("profile-part-missing.jpg", jpeg(scene(), missing), None, "profile is ignored")
    yield Bad("profile-gray.jpg", jpeg(scene(), profile_segments(gray_profile())), None, "GRAY")
    yield Bad("comment.jpg", jpeg(scene(), segment(0xFE, b"\xff\xd9" * 99)), None)
    yield Bad("one-pixel.jpg", jpeg(scene(height=1, width=1)), None)
    yield Bad("one-row.jpg", jpeg(scene(height=1, width=60_000)), None)
    data = bytearray(whole)
    data[-300:-290] = b"\x55" * 10
    yield Bad("torn-inside.jpg", bytes(data), None)  # a JPEG has no check sums: this cannot be told from a picture


def webp_files() -> Iterator[Bad]:
    """WebP files, refused and read."""
    whole, full = webp(scene()), webp(scene(), icc=rgb_profile(), exif_data=exif(turn=6))
    for size in (11, 14, 21, 30, len(whole) // 2, len(whole) - 1):
        yield Bad(f"cut-{size}.webp", whole[:size])
    yield Bad("cut-extended.webp", full[:-20])
    yield Bad("no-picture.webp", riff(box(b"VP8X", bytes(10))), words="without a picture")
    yield Bad("moving.webp", riff(box(b"VP8X", bytes([2]) + bytes(9)) + whole[12:]), words="moving")
    yield Bad("junk.webp", riff(box(b"VP8L", b"\x2f" + b"\x10" * 500)))
    yield Bad("junk-lossy.webp", riff(box(b"VP8 ", b"\0\0\0\x9d\x01\x2a\x40\0\x40\0" + b"\x10" * 500)))
    yield Bad(
        "swollen.webp", riff(box(b"VP8L", b"\x2f" + struct.pack("<I", 0x0FFFFFFF) + bytes(90))), words="cannot hold"
    )
    yield Bad("unknown-parts.webp", riff(box(b"ABCD", b"1") + whole[12:]))
    yield Bad("sizes-differ.webp", riff(box(b"VP8X", bytes(4) + b"\x09\0\0\x09\0\0") + whole[12:]))
    yield Bad("lossy.webp", bytes(imagecodecs.webp_encode(scene(), level=80)), None)
    yield Bad("full.webp", full, None)
    yield Bad("profile-none.webp", webp(scene(), icc=b"junk" * 50), None, "no ICC")
    yield Bad("one-pixel.webp", webp(scene(height=1, width=1)), None)


def riff(body: bytes) -> bytes:
    """A WebP file of chunks."""
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WEBP" + body


def no_pictures() -> Iterator[Bad]:
    """Files that are something else, under the names of pictures."""
    junk = np.random.default_rng(4).integers(0, 256, 5000, dtype=np.uint8).tobytes()
    yield Bad("empty.tif", b"", words="empty (0 bytes)")
    yield Bad("empty.png", b"", words="empty (0 bytes)")
    yield Bad("text.tif", b"which side was up?\n" * 50, words="no picture of a kind")
    yield Bad("page.tif", b"<!doctype html><p>moved", words="a text file")
    yield Bad("random.tif", junk, words="no picture of a kind")
    yield Bad("zeros.png", bytes(5000), words="no picture of a kind")
    yield Bad("one-byte.tif", b"I", words="no picture of a kind")
    yield Bad("sound.webp", b"RIFF\x24\0\0\0WAVEfmt " + bytes(40), words="no picture of a kind")
    for word, kind in (("GIF", "a GIF"), ("BMP", "a BMP"), ("PDF", "a PDF"), ("JPEG2000", "JPEG 2000")):
        written = io.BytesIO()
        Image.fromarray(scene()).save(written, word)
        yield Bad(f"really-{word}.tif", written.getvalue(), words=kind)
    renamed = {"a-png.tif": png(scene()), "a-jpeg.png": jpeg(scene()), "a-webp.jpg": webp(scene())}
    for name, data in renamed.items():
        yield Bad(name, data, None)
