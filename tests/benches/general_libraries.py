"""I do with general libraries what a join does, to be timed as a process of my own: OpenCV joins, libvips renders.

By hand: python tests/benches/general_libraries.py opencv FOLDER, or libvips RECORD FOLDER OUT CODEC (needs
`pip install "pyvips[binary]"`). Prints one line of JSON: for OpenCV's scan joiner its status and how many pixels it
covers; for libvips nothing but that it is done: it warps each piece, bicubic, to where the join's record says it lies,
puts one over the other without seams or light, and writes the same kind of file.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

LEVEL = {"deflate": 3, "zstd": 1}


def opencv(folder: Path) -> dict[str, Any]:
    """Status (0: joined) and pixels covered of cv2.Stitcher in its mode for scans."""
    import cv2

    stitcher = cv2.Stitcher_create(cv2.Stitcher_SCANS)
    status, canvas = stitcher.stitch([cv2.imread(str(path)) for path in sorted(folder.glob("*.tif"))])
    covered = 0 if canvas is None else int(canvas.any(axis=2).sum())
    return {"status": status, "covered": covered}


def libvips(record: Path, folder: Path, out: Path, codec: str) -> dict[str, Any]:
    """Render a record's pieces where it says they lie."""
    import pyvips

    told = json.loads(record.read_text(encoding="utf-8"))
    size, canvas = told["canvas"], None
    for place in told["placements"]:
        piece = pyvips.Image.new_from_file(str(folder / place["tile"]))
        (a, b, x), (c, d, y) = place["canvas_from_tile"][:2]
        # the upright box within the turned piece: no black corners over its neighbors
        skew = (abs(b) * piece.height + 1, abs(c) * piece.width + 1)
        left, top = round(x + min(0, b) * piece.height + skew[0]), round(y + min(0, c) * piece.width + skew[1])
        area = [left, top, int(piece.width * a - skew[0] - 1), int(piece.height * d - skew[1] - 1)]
        bicubic = pyvips.Interpolate.new("bicubic")
        moved = piece.affine([a, b, c, d], interpolate=bicubic, odx=x, ody=y, oarea=area).cast(piece.format)
        blank = pyvips.Image.black(size["width"], size["height"], bands=piece.bands).cast(piece.format)
        canvas = (blank if canvas is None else canvas).insert(moved, left, top)
    if canvas is None:
        raise SystemExit(f"{record} holds no placements")
    how: dict[str, Any] = {"tile": True, "tile_width": 256, "tile_height": 256, "pyramid": True}
    if codec != "none":
        how |= {"compression": codec, "predictor": "horizontal", "level": LEVEL[codec]}
    canvas.copy(interpretation="rgb16" if canvas.format == "ushort" else "srgb").tiffsave(str(out), **how)
    return {"status": 0}


def main() -> None:
    """Do what is asked."""
    what, *given = sys.argv[1:]
    paths = [Path(each) for each in given[:3]]
    print(json.dumps(opencv(paths[0]) if what == "opencv" else libvips(paths[0], paths[1], paths[2], given[3])))


if __name__ == "__main__":
    main()
