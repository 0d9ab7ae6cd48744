"""I have a PDF page drawn, or its picture of one bit decoded, by the library that draws pages.

In: a path that names a page. Out: pixels.

The library serves one caller at a time, so calls wait for one another.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from stitchbed.core.addresses import address_of
from stitchbed.core.arrays import Pixels
from stitchbed.reading.base.faults import unreadable

ONE_AT_A_TIME = threading.Lock()
POINTS = 72.0  # per inch
DEEPEST = 8  # forms in forms


def stored_bitmap(path: Path, place: int) -> Pixels:
    """(h, w, 1 or 3) uint8 of a picture of the page, unresampled; of a stencil, 255 where it paints.

    place : among the pictures of the page in the order they are painted, from 0.
    """
    import pypdfium2.raw as raw

    with _page(path) as page:
        images = page.get_objects(filter=[raw.FPDF_PAGEOBJ_IMAGE], max_depth=DEEPEST)
        found = next(islice(images, place, None), None)
        if found is None:
            raise unreadable(path, "is damaged: its picture cannot be decoded")
        bitmap = found.get_bitmap(render=False)  # held while it is copied: the array is the library's own memory
        pixels = np.array(bitmap.to_numpy())
    return pixels.reshape(*pixels.shape[:2], -1)


def drawn_size(path: Path, dpi: int, unit: float) -> tuple[int, int]:
    """(height, width) px of a page drawn at a resolution; unit : points per unit of the page, which the library
    passes over."""
    with _page(path) as page:
        width, height = page.get_size()
    return max(1, round(height * unit * dpi / POINTS)), max(1, round(width * unit * dpi / POINTS))


def drawn(path: Path, size: tuple[int, int]) -> Pixels:
    """(h, w, 3) uint8 sRGB of a page over white, drawn to (height, width) px."""
    import pypdfium2.raw as raw

    height, width = size
    with _page(path) as page:
        bitmap = raw.FPDFBitmap_CreateEx(width, height, raw.FPDFBitmap_BGR, None, 0)
        if not bitmap:
            raise MemoryError
        try:
            raw.FPDFBitmap_FillRect(bitmap, 0, 0, width, height, 0xFFFFFFFF)
            raw.FPDF_RenderPageBitmap(bitmap, page.raw, 0, 0, width, height, 0, raw.FPDF_ANNOT)
            stride = raw.FPDFBitmap_GetStride(bitmap)
            start = raw.FPDFBitmap_GetBuffer(bitmap)
            rows = np.ctypeslib.as_array(_bytes_at(start), (height * stride,)).reshape(height, stride)
            return np.ascontiguousarray(rows[:, : 3 * width].reshape(height, width, 3)[..., ::-1])
        finally:
            raw.FPDFBitmap_Destroy(bitmap)


def _bytes_at(start: Any) -> Any:
    import ctypes

    return ctypes.cast(start, ctypes.POINTER(ctypes.c_uint8))


@contextmanager
def _page(path: Path) -> Iterator[Any]:
    """The page that `path` names (pypdfium2.PdfPage)."""
    import pypdfium2

    address = address_of(path)
    with ONE_AT_A_TIME:
        document = pypdfium2.PdfDocument(address.file)
        try:
            page = document[(address.number or 1) - 1]
            yield page
            page.close()
        finally:
            document.close()
