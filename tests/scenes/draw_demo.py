"""I make the demonstration set: a tram map on an A2 sheet, scanned in seven pieces on an A4 bed.

In: `python tests/scenes/draw_demo.py` [--out FOLDER] [--dpi DPI], or `--sheet OUT.png` for the map in one piece.
Out: the scans and truth.json (default: demo_tiles/ beside tests/), the same bytes every time.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

import demo_bed as bed  # noqa: E402
import demo_places as places  # noqa: E402
import demo_scene as scene  # noqa: E402

from stitchbed.imaging import transfer as light  # noqa: E402

LUCK = 7
DPI = 100
README = (
    "A hand-drawn tram map of Ostrellin, a harbor town that does not exist, on an A2 sheet (594 x 420 mm), scanned in "
    "seven pieces on a 216 x 297 mm bed. Made by `python tests/scenes/draw_demo.py`, which paints the sheet and scans "
    "it with the faults listed here; run it again and the same bytes come out. "
    "Bed point (u, v) mm of pixel (col, row): "
    "((col, row) + 0.5) * 25.4 / dpi. It looks at the sheet (mm, from its upper left corner) at "
    "center_mm + R(turn_deg) ((u, v) + travel(v) + lift - bed_mm / 2), turn from the x axis toward the y axis."
)


def main(words: list[str]) -> None:
    """Read the command line and make what it asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=ROOT / "demo_tiles", help="folder for the scans and truth.json")
    parser.add_argument(
        "--dpi", type=float, default=None, help=f"dpi of the scans (default {DPI}) or of the sheet (default 200)"
    )
    parser.add_argument("--sheet", type=Path, default=None, help="write the map in one piece as PNG and stop")
    asked = parser.parse_args(words)
    if asked.sheet:
        _save(asked.sheet, _whole(asked.dpi or 200), asked.dpi or 200)
    else:
        make(asked.out, asked.dpi or DPI)


def make(folder: Path, dpi: float) -> dict[str, Any]:
    """Paint the sheet, scan it into `folder`, write truth.json; returns what truth.json says."""
    folder.mkdir(parents=True, exist_ok=True)
    sheet = scene.draw(LUCK, 2 * dpi / 25.4)
    rng = np.random.default_rng([LUCK, 2])
    glass = bed.glass_dust(rng)
    pieces = []
    for piece in bed.PIECES:
        loose = bed.loose_dust(rng)
        pixels = bed.scan(sheet, piece, dpi=dpi, grains=glass + loose, rng=rng)
        _save(folder / piece.file, pixels, dpi)
        digest = hashlib.sha256((folder / piece.file).read_bytes()).hexdigest()
        pieces.append({
            "file": piece.file, "sha256": digest, "center_mm": piece.center, "turn_deg": piece.turn, "gain": piece.gain,
            "loose_dust": [_told(grain) for grain in loose],
        })  # fmt: skip
    truth = {"readme": README, "dpi": dpi, "sheet_mm": places.SIZE, **_faults(glass), "pieces": pieces}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth


def srgb_profile() -> bytes:
    """An sRGB profile with a fixed date in its header (ICC.1:2022, 7.2.8: bytes 24..35), so that files repeat."""
    made = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    made[24:36] = np.array([2026, 1, 1, 0, 0, 0], ">u2").tobytes()
    made[84:100] = bytes(16)  # no profile ID: it would cover the date
    return bytes(made)


def reduced(fine: NDArray[np.float32]) -> NDArray[np.float32]:
    """Half the resolution, each pixel the mean of exactly 2 x 2; an odd last row or column is left out."""
    rows, cols = fine.shape[0] // 2, fine.shape[1] // 2
    return np.asarray(cv2.resize(fine[: 2 * rows, : 2 * cols], (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


def _faults(glass: tuple[bed.Grain, ...]) -> dict[str, Any]:
    """The bed's own faults as truth.json tells them."""
    waves = {
        axis: [dict(zip(("amplitude_mm", "period_mm", "phase"), wave, strict=True)) for wave in waves]
        for axis, waves in bed.TRAVEL.items()
    }
    return {
        "bed_mm": bed.BED,
        "travel": {"formula": "sum of amplitude_mm * sin(2 pi v / period_mm + phase)", **waves},
        "falloff": {"formula": "1 - bend * s^2 - tilt * s, s = (2 u / bed_mm[0]) - 1", "bend": bed.FALLOFF,
                    "tilt": bed.TILT},
        "lift": {"width_mm": bed.LIFT_MM, "loss_of_light": bed.LIFT_DARK, "shift_mm": bed.LIFT_SHIFT_MM,
                 "where": "bed sides beyond which the sheet goes on"},
        "lens_sigma_px": bed.SOFT_PX, "noise_at_white": bed.NOISE, "lid_linear_light": bed.LID,
        "glass_dust": [_told(grain) for grain in glass],
    }  # fmt: skip


def _told(grain: bed.Grain) -> dict[str, Any]:
    return {
        "bed_mm": [round(c, 3) for c in grain.at],
        "size_mm": [round(c, 3) for c in grain.size],
        "angle_deg": round(grain.angle, 1),
    }


def _whole(dpi: float) -> NDArray[np.uint8]:
    """The map in one piece, (rows, cols, 3) uint8, painted at twice the resolution and reduced."""
    small = reduced(scene.draw(LUCK, 2 * dpi / 25.4))
    return np.asarray(light.to_stored(small, "uint8", light.transfer_of(None)), np.uint8)


def _save(path: Path, pixels: NDArray[np.uint8], dpi: float) -> None:
    """Write one picture, lossless, with dpi and profile; PNG or TIFF by its ending."""
    if path.suffix == ".png":
        Image.fromarray(pixels).save(path, dpi=(dpi, dpi), icc_profile=srgb_profile(), compress_level=9)
        return
    tifffile.imwrite(
        path,
        pixels,
        photometric="rgb",
        compression="zlib",
        compressionargs={"level": 9},
        predictor=True,
        rowsperstrip=128,
        resolution=(dpi, dpi),
        resolutionunit="INCH",
        iccprofile=srgb_profile(),
        metadata=None,
        software=False,
    )


if __name__ == "__main__":
    main(sys.argv[1:])
