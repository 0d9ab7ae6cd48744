"""I run the full study of `compare` by hand: ten sheets at 300, 600 and 1200 dpi, optics and noise known.

    python tests/benches/bench_comparison.py

Out: advised and right step per sheet; made-up scans named or not. A run takes some three minutes on two cores.
"""

from __future__ import annotations

import search_path  # noqa: F401  # first: the search path

import tempfile
from pathlib import Path

import cv2
import numpy as np
import synthetic_captures as captures

from stitchbed.inspection.dpi import losses
from stitchbed.pipelines.compare import compare

STEPS = (300, 600, 1200)
SIDE_MM = 32.0
# sigma of the optics on the sheet, um: 6, 16, 32 and 48 um are 0.38, 1, 2 and 3 px of a scan at 1600 dpi
SIGMAS = (6.0, 16.0, 32.0, 48.0, 110.0, 22.0, 36.0, 60.0, 130.0, 10.0)
NOISES = (1.5, 1.5, 1.5, 1.5, 1.5, 3.0, 3.0, 1.0, 2.0, 1.0)


def sheet_scans(index: int) -> tuple[dict[int, captures.Codes], int, dict[int, float]]:
    """Scans of one sheet, the right step, and what each step truly loses."""
    rng = np.random.default_rng(index)
    sheet = captures.fine_sheet(SIDE_MM, index)
    scans = {}
    for dpi in STEPS:
        turn, shift = float(rng.uniform(-0.6, 0.6)), tuple(rng.uniform(-0.5, 0.5, 2))
        scans[dpi] = captures.scan_at(sheet, dpi, captures.Optics(SIGMAS[index], NOISES[index], turn, shift), rng)
    true = captures.true_losses(sheet, captures.Optics(SIGMAS[index], NOISES[index]), STEPS, losses.PLACE_MM)
    right = min((step for step, share in true.items() if share <= losses.SHARE), default=max(STEPS))
    return scans, right, true


def main() -> None:
    """Run and print."""
    right = named = 0
    for index in range(len(SIGMAS)):
        scans, step, true = sheet_scans(index)
        with tempfile.TemporaryDirectory() as folder:
            record = compare(captures.write_steps(Path(folder), scans))
            false = record["interpolated"]
            made_up = dict(scans)
            made_up[1200] = cv2.resize(
                scans[600],
                (scans[1200].shape[1], scans[1200].shape[0]),
                interpolation=(cv2.INTER_CUBIC, cv2.INTER_LINEAR)[index % 2],
            )
            second = compare(captures.write_steps(Path(folder), made_up))
        right += record["advised_dpi"] == step
        named += second["interpolated"] == ["quay_1200.tif"]
        measured = [part["loses_share"] for part in record["scans"]]
        print(
            f"sigma {SIGMAS[index]:5.0f} um noise {NOISES[index]}: advised {record['advised_dpi']:.0f}, right {step} "
            f"(measured {measured}, true {[round(share, 4) for share in true.values()]}); "
            f"falsely made up {false}; made up named {second['interpolated']}"
        )
    print(f"{right} of {len(SIGMAS)} right, {named} of {len(SIGMAS)} made-up scans named")


if __name__ == "__main__":
    main()
