"""I make TIFF files that are damaged, hostile or merely odd, each with what must come of it.

In: nothing. Out: `Bad` files.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import replace

import imagecodecs
import numpy as np
from bad_case import Bad
from picture_files import HEIGHT, WIDTH, gray_profile, palette, rgb_profile, scene
from tiff_bytes import Field, Plan, assembled, cut, encoded, tiff

from stitchbed.core.errors import CanvasTooLarge, UnreadableTile

LONG_MAX = 2**32 - 1
PLAIN = Plan()


def bad_tiffs() -> Iterator[Bad]:
    """All of them."""
    yield from cut_off()
    yield from wrong_tables()
    yield from absurd_sizes()
    yield from bombs()
    yield from circles()
    yield from kinds_not_read()
    yield from odd_but_fine()
    yield from torn_data()


def with_tags(extra: dict[int, Field | None], plan: Plan = PLAIN) -> bytes:
    """A sound picture with some of its tags replaced."""
    return tiff(scene(), replace(plan, extra=extra))


def cut_off() -> Iterator[Bad]:
    """Sound files cut at every structural point: header, pixel data, directory, long values."""
    plans = {"plain": Plan(), "deflate": Plan(compression=8), "tiles": Plan(compression=5, piece=(16, 16))}
    for word, plan in (plans | {"big": Plan(big=True), "motorola": Plan(order=">", planar=2)}).items():
        whole = tiff(scene(), plan)
        at = (
            struct.unpack(plan.order + "Q", whole[8:16])[0]
            if plan.big
            else struct.unpack(plan.order + "I", whole[4:8])[0]
        )
        row, head = (20, 8) if plan.big else (12, 2)
        tags = struct.unpack(plan.order + ("Q" if plan.big else "H"), whole[at : at + head])[0]
        points = {
            "1": 1, "magic": 4, "header": 7, "first-data": 30, "data": at // 2, "directory": at, "count": at + 1,
            "tag": at + head + row // 2, "tags": at + head + row * (tags // 2), "values": len(whole) - 3,
        }  # fmt: skip
        for point, size in points.items():
            yield Bad(f"cut-{word}-{point}.tif", whole[:size])


def wrong_tables() -> Iterator[Bad]:
    """Offsets, counts and links that do not fit."""
    sound = tiff(scene(), Plan(piece=HEIGHT))
    yield Bad("no-offsets.tif", with_tags({273: None}), words="lists 0 of the 4 strips")
    yield Bad("few-offsets.tif", with_tags({273: (4, [8, 3416])}), words="lists 2 of the 4 strips")
    yield Bad("offsets-zero.tif", with_tags({273: (4, [0] * 4)}), words="strip 1 of 4")
    yield Bad("offsets-behind.tif", with_tags({273: (4, [8, 9, 10, 10**6])}), words="strip 4 of 4")
    yield Bad("offsets-huge.tif", with_tags({273: (4, [LONG_MAX] * 4)}))
    yield Bad("offsets-64-bit.tif", with_tags({273: (16, [2**64 - 8] * 4)}, Plan(big=True)))
    yield Bad("offsets-wrap.tif", with_tags({273: (16, [2**63 - 8] * 4)}, Plan(big=True)))
    yield Bad("offsets-as-text.tif", with_tags({273: (2, [65] * 4)}), words="lists 0")
    yield Bad("counts-zero.tif", with_tags({279: (4, [0] * 4)}), words="no data for strip 1")
    yield Bad("counts-short.tif", with_tags({279: (4, [100] * 4)}), words="too few")
    yield Bad("counts-huge.tif", with_tags({279: (4, [LONG_MAX] * 4)}), words="should end at byte")
    yield Bad("counts-few.tif", with_tags({279: (4, [3408])}), None)
    yield Bad("counts-missing-deflate.tif", with_tags({279: None}, Plan(compression=8)), words="how long")
    yield Bad(
        "counts-missing-last-cut.tif", with_tags({279: None, 278: (4, [HEIGHT]), 273: (4, [3000])}), words="cut off"
    )
    yield Bad("tiles-without-size.tif", with_tags({322: None}, Plan(piece=(16, 16))), words="tiles of 0 x 16")
    yield Bad("tiles-without-offsets.tif", with_tags({324: None}, Plan(piece=(16, 16))), words="of the 20 tiles")
    yield Bad("planes-missing.tif", with_tags({284: (3, [2])}), words="of the 12 strips")
    for word, place in (("0", 0), ("behind", 10**6), ("last-byte", len(sound) - 1), ("in-the-header", 2)):
        yield Bad(f"directory-at-{word}.tif", sound[:4] + struct.pack("<I", place) + sound[8:])
    yield Bad("directory-empty.tif", b"II*\0\x08\0\0\0" + bytes(20), words="claims 0 tags")
    yield Bad("directory-full.tif", b"II*\0\x08\0\0\0" + b"\xff" * 5000, words="tags")
    yield Bad("magic-44.tif", b"II\x2c\0" + sound[4:])
    yield Bad("magic-swapped.tif", b"MM" + sound[2:])
    yield Bad("big-with-4-byte-offsets.tif", b"II+\0\x04\0\0\0" + sound[8:], words="43")
    yield Bad("zeros.tif", bytes(1000))
    yield Bad("only-a-magic.tif", b"II*\0")
    yield Bad("unknown-field-type.tif", retyped(sound, 256, 99), words="size of 0")


def retyped(data: bytes, tag: int, kind: int) -> bytes:
    """The file with one tag's field type changed."""
    at = data.index(struct.pack("<H", tag), struct.unpack("<I", data[4:8])[0])
    return data[: at + 2] + struct.pack("<H", kind) + data[at + 4 :]


def absurd_sizes() -> Iterator[Bad]:
    """Numbers that no picture has."""
    for word, tag in (("width", 256), ("height", 257)):
        yield Bad(f"{word}-0.tif", with_tags({tag: (4, [0])}), words="claims a size of")
        yield Bad(f"{word}-missing.tif", with_tags({tag: None}), words="claims a size of")
        yield Bad(f"{word}-negative.tif", with_tags({tag: (9, [-5])}), words="claims a size of")
        yield Bad(f"{word}-as-float.tif", with_tags({tag: (11, [50.0])}), words="claims a size of")
        yield Bad(f"{word}-4-billion.tif", with_tags({tag: (4, [LONG_MAX])}), CanvasTooLarge, "megapixels")
    both: dict[int, Field | None] = {256: (4, [LONG_MAX]), 257: (4, [LONG_MAX])}
    yield Bad("sides-4-billion.tif", with_tags(both), CanvasTooLarge, "megapixels")
    yield Bad("sides-60000.tif", with_tags({256: (4, [60000]), 257: (4, [60000])}), words="strips its size needs")
    yield Bad("strip-of-0-rows.tif", with_tags({278: (4, [0])}), words="strips of 71 x 0")
    for word, size in (("0", 0), ("huge", LONG_MAX), ("larger-than-all", 40000)):
        tags: dict[int, Field | None] = {322: (4, [size]), 323: (4, [size])}
        words = "one piece of 4.5 GiB" if size == 40000 else "tiles of"
        yield Bad(f"tiles-{word}.tif", with_tags(tags, Plan(compression=8, piece=(64, 80))), words=words)
    wide: dict[int, Field | None] = {322: (4, [4096]), 323: (4, [4096])}
    yield Bad(
        "tiles-too-wide.tif", with_tags(wide, Plan(compression=8, piece=(64, 80))), words="larger than the picture"
    )
    for samples in (0, 2, 65535):
        yield Bad(f"samples-{samples}.tif", with_tags({277: (3, [samples])}), words=f"{samples} samples")


def bombs() -> Iterator[Bad]:
    """Little files that would unpack to much."""
    huge: dict[int, Field | None] = {256: (4, [60000]), 257: (4, [60000]), 258: (3, [8]), 277: (3, [1]), 262: (3, [1])}
    claimed: dict[int, Field | None] = {256: (4, [10**5]), 257: (4, [10**5])}
    much = tiff(np.zeros((100, 1000, 1), np.uint8), Plan(extra=claimed))
    yield Bad("ten-gigapixels.tif", much, CanvasTooLarge, "10,000 megapixels")
    for word, code in (("lzw", 5), ("deflate", 8), ("packbits", 32773)):
        one = huge | {259: (3, [code]), 278: (4, [60000])}
        yield Bad(f"one-strip-{word}.tif", assembled(one, [bytes(1000)], (273, 279)))
        many = huge | {259: (3, [code]), 278: (4, [100])}
        yield Bad(f"strips-{word}.tif", assembled(many, [bytes(100)] * 600, (273, 279)), words="too few")
    swollen = zlib.compress(bytes(100 * 2**20))
    small: dict[int, Field | None] = {256: (4, [4]), 257: (4, [4]), 258: (3, [8, 8, 8]), 262: (3, [2]), 277: (3, [3])}
    yield Bad("deflate-of-100-mb.tif", assembled(small | {259: (3, [8])}, [swollen], (273, 279)), words="piece 1")
    foam = bytes(imagecodecs.zstd_encode(bytes(100 * 2**20)))
    yield Bad("zstd-of-100-mb.tif", assembled(small | {259: (3, [50000])}, [foam], (273, 279)), words="piece 1")
    for word, sof in (("wide", (16, 65500)), ("tall", (65500, 16)), ("large", (65500, 65500))):
        stream = jpeg_of_size(*sof)
        tags = small | {259: (3, [7]), 322: (4, [16]), 323: (4, [16])}
        yield Bad(f"jpeg-tile-{word}.tif", assembled(tags, [stream], (324, 325)), words="piece 1")
    wide = {256: (4, [2**31]), 257: (4, [1]), 258: (3, [1]), 262: (3, [1]), 277: (3, [1]), 259: (3, [4])}
    yield Bad("fax-of-2-gigapixels.tif", assembled(wide, [b"\x80" * 9], (273, 279)), words="GiB")


def jpeg_of_size(height: int, width: int) -> bytes:
    """A JPEG whose header claims another size than its data have."""
    data = bytearray(imagecodecs.jpeg8_encode(np.zeros((16, 16, 3), np.uint8)))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


def circles() -> Iterator[Bad]:
    """Directories that lead back to themselves."""
    for word, flags, fault in (("view", {254: (4, [1])}, UnreadableTile), ("picture", {}, None)):
        whole = with_tags(flags)
        at = struct.unpack("<I", whole[4:8])[0]
        link = at + 2 + 12 * struct.unpack("<H", whole[at : at + 2])[0]
        looped = whole[:link] + struct.pack("<I", at) + whole[link + 4 :]
        yield Bad(f"circle-of-one-{word}.tif", looped, fault, "circle" if fault else "")
        astray = whole[:link] + struct.pack("<I", 10**7) + whole[link + 4 :]
        yield Bad(f"next-page-behind-{word}.tif", astray, fault)
    yield Bad("only-reduced-views.tif", with_tags({254: (4, [1])}), None)
    yield Bad("own-views-in-a-circle.tif", with_tags({305: (2, b"stitchbed\0"), 330: (4, [8, 8, 8])}), None)
    yield Bad("own-views-behind.tif", with_tags({305: (2, b"stitchbed\0"), 330: (4, [LONG_MAX])}), None)


def kinds_not_read() -> Iterator[Bad]:
    """Sound files of kinds that are refused."""
    words = {
        4: "mask",
        5: "CMYK",
        6: "YCbCr outside",
        8: "CIELAB",
        9: "ICC Lab",
        32803: "camera",
        34892: "camera",
        77: "77",
    }
    for photometric, word in words.items():
        pixels = scene(4) if photometric == 5 else scene(3)
        yield Bad(f"photometric-{photometric}.tif", tiff(pixels, Plan(photometric=photometric)), words=word)
    for code, word in {
        6: "old-style",
        34712: "JPEG 2000",
        34887: "LERC",
        34925: "LZMA",
        50001: "WebP",
        0: "0",
        9999: "9999",
    }.items():
        yield Bad(f"compression-{code}.tif", with_tags({259: (3, [code])}), words=word)
    nan = np.full((HEIGHT, WIDTH), np.nan, "f4").view("u1").reshape(HEIGHT, WIDTH, 4)
    as_float: dict[int, Field | None] = {258: (3, [32]), 277: (3, [1]), 262: (3, [1]), 339: (3, [3])}
    yield Bad("float-nan.tif", tiff(nan, Plan(extra=as_float)), words="floating point (32 bits)")
    yield Bad("float-64.tif", with_tags({258: (3, [64] * 3), 339: (3, [3] * 3)}), words="floating point (64 bits)")
    yield Bad(
        "float-16.tif", tiff(scene(3, "uint16"), Plan(extra={339: (3, [3] * 3)})), words="floating point (16 bits)"
    )
    yield Bad("signed.tif", with_tags({339: (3, [2] * 3)}), words="signed")
    yield Bad("complex.tif", with_tags({339: (3, [6] * 3)}), words="complex")
    for bits in (0, 2, 4, 12, 14, 24, 32, 64):
        yield Bad(f"bits-{bits}.tif", with_tags({258: (3, [bits] * 3)}), words=f"{bits} bits per sample")
    yield Bad("bits-mixed.tif", with_tags({258: (3, [5, 6, 5])}), words="5, 6 bits")
    yield Bad("bits-8-16-8.tif", with_tags({258: (3, [8, 16, 8])}), words="8, 16 bits")
    yield Bad("bits-of-rgb.tif", with_tags({258: (3, [1] * 3)}), words="1 bits")
    yield Bad("gray-4-bits.tif", tiff(scene(1) // 16, Plan(bits=4)), words="4 bits")
    yield Bad("palette-16-bits.tif", tiff(scene(1, "uint16"), Plan(photometric=3)), words="16 bits")
    yield Bad("palette-missing.tif", tiff(scene(1), Plan(photometric=3)), words="palette")
    yield Bad("palette-short.tif", tiff(scene(1), Plan(photometric=3, extra={320: (3, [1] * 30)})), words="palette")
    for predictor in (0, 3, 34894):
        yield Bad(
            f"predictor-{predictor}.tif", with_tags({317: (3, [predictor])}, Plan(compression=8)), words="predictor"
        )
    yield Bad("fax-of-8-bits.tif", with_tags({259: (3, [4])}), words="fax")
    yield Bad("jpeg-of-16-bits.tif", with_tags({259: (3, [7]), 258: (3, [16] * 3)}))


def odd_but_fine() -> Iterator[Bad]:
    """Oddities that do no harm, some of them worth a note."""
    for turn in (0, 9, 65535):
        yield Bad(f"turned-{turn}.tif", with_tags({274: (3, [turn])}), None)
    for word, field in (
        ("zero", (5, [0, 1])),
        ("by-zero", (5, [300, 0])),
        ("huge", (5, [LONG_MAX, 1])),
        ("text", (2, b"300\0")),
    ):
        yield Bad(f"dpi-{word}.tif", with_tags({282: field, 283: field}), None)
    notes = {
        "none": (b"junk" * 50, "no ICC"),
        "gray": (gray_profile(), "GRAY"),
        "cut": (rgb_profile()[:400], "cut off"),
    }
    for word, (icc, said) in notes.items():
        yield Bad(f"profile-{word}.tif", with_tags({34675: (7, icc)}), None, said)
    yield Bad("profile-empty.tif", with_tags({34675: (7, b"")}), None)
    old = {320: (3, palette(256).T.ravel().tolist())}
    yield Bad("palette-of-8-bits.tif", tiff(scene(1), Plan(photometric=3, extra=old)), None)
    yield Bad("one-pixel.tif", tiff(scene(height=1, width=1)), None)
    yield Bad("one-row.tif", tiff(scene(height=1, width=100_000)), None)
    yield Bad("one-column.tif", tiff(scene(height=100_000, width=1), Plan(compression=8, piece=10_000)), None)
    yield Bad("all-in-one-strip.tif", with_tags({278: (4, [LONG_MAX]), 273: (4, [8]), 279: (4, [scene().size])}), None)
    yield Bad("unsorted-tags.tif", unsorted(tiff(scene())), None)
    yield Bad(
        "five-channels.tif",
        tiff(np.dstack([scene(4), scene(1)]), Plan(extra={338: (3, [0, 2])})),
        None,
        "further channel",
    )
    yield Bad(
        "two-alphas.tif", tiff(np.dstack([scene(4), scene(1)]), Plan(extra={338: (3, [1, 2])})), None, "further channel"
    )
    yield Bad("alpha-of-9.tif", tiff(scene(4), Plan(alpha=9)), None, "further channel")
    yield Bad("no-photometric.tif", with_tags({262: None}), None)
    yield Bad("planar-3.tif", with_tags({284: (3, [3])}), None)
    yield Bad("tables-for-nothing.tif", with_tags({347: (7, b"junk"), 330: (4, [1]), 34665: (4, [5])}), None)


def unsorted(data: bytes) -> bytes:
    """The file with the rows of its directory in backward order."""
    at = struct.unpack("<I", data[4:8])[0] + 2
    count = struct.unpack("<H", data[at - 2 : at])[0]
    rows = [data[at + 12 * k : at + 12 * k + 12] for k in range(count)]
    return data[:at] + b"".join(rows[::-1]) + data[at + 12 * count :]


def torn_data() -> Iterator[Bad]:
    """Sound tables, but strips that do not decode."""
    junk = np.random.default_rng(3).integers(0, 256, 3000, dtype=np.uint8).tobytes()
    base: dict[int, Field | None] = {
        256: (4, [WIDTH]),
        257: (4, [HEIGHT]),
        258: (3, [8] * 3),
        262: (3, [2]),
        277: (3, [3]),
    }
    for word, code in {"lzw": 5, "deflate": 8, "packbits": 32773, "zstd": 50000, "jpeg": 7}.items():
        yield Bad(f"junk-{word}.tif", assembled(base | {259: (3, [code])}, [junk], (273, 279)), words="piece 1")
        yield Bad(f"nothing-{word}.tif", assembled(base | {259: (3, [code])}, [b"\0"], (273, 279)))
    for code in (5, 8, 50000, 32773):
        plan = Plan(compression=code, piece=HEIGHT)
        short = encoded(cut(scene(), plan)[0][:-9], plan, 8)
        yield Bad(
            f"rows-missing-{code}.tif", assembled(base | {259: (3, [code])}, [short], (273, 279)), words="piece 1"
        )
    gray = bytes(imagecodecs.jpeg8_encode(scene(1)[..., 0]))
    yield Bad("jpeg-gray-for-rgb.tif", assembled(base | {259: (3, [7])}, [gray], (273, 279)), words="piece 1")
    headless = gray[: gray.index(b"\xff\xc0")]
    yield Bad("jpeg-without-frame.tif", assembled(base | {259: (3, [7])}, [headless], (273, 279)), words="piece 1")
