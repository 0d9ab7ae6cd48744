"""I check PNG chunks against a file another writer made and the checksum of a whole empty picture."""

from __future__ import annotations

import io

from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, PngImagePlugin

from stitchbed.imaging.chunks import chunk


def test_the_end_mark_is_the_standard_s() -> None:
    # ISO/IEC 15948:2004, 11.2.5: empty; its checksum as printed in every PNG there is
    assert chunk(b"IEND", b"") == bytes.fromhex("00000000 49454E44 AE426082")


def test_a_picture_put_together_of_chunks_is_pillow_s_byte_by_byte() -> None:
    file = io.BytesIO()
    note = PngImagePlugin.PngInfo()
    note.add_text("Title", "a harbor")
    Image.new("RGB", (5, 3), "red").save(file, "PNG", pnginfo=note)
    data, place, again = file.getvalue(), 8, file.getvalue()[:8]
    while place < len(data):
        size = int.from_bytes(data[place : place + 4], "big")
        again += chunk(data[place + 4 : place + 8], data[place + 8 : place + 8 + size])
        place += 12 + size
    assert again == data


@given(st.binary(max_size=50))
def test_pillow_accepts_the_checksum_of_any_content(content: bytes) -> None:
    stream = PngImagePlugin.ChunkStream(io.BytesIO(chunk(b"abCd", content)))
    name, _, length = stream.read()
    stream.crc(name, stream.fp.read(length))  # raises when it is wrong
    assert (name, length) == (b"abCd", len(content))
