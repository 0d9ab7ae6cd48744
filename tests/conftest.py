"""I hold the sets many tests ask about; each is joined once per run."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program itself does, and before numpy is loaded

from pathlib import Path

import joined
import pytest
import truth
from joined import Joined


@pytest.fixture(scope="session")
def real(tmp_path_factory: pytest.TempPathFactory) -> Joined:
    """3 x 2 pieces, 16 bits, with all the faults a scanner has."""
    sheet, tiles = truth.make_set(3, 2, seed=1, faults=truth.REAL, dtype="uint16")
    return joined.join_set(tmp_path_factory.mktemp("real"), sheet, tiles)


@pytest.fixture(scope="session")
def turned(tmp_path_factory: pytest.TempPathFactory) -> Joined:
    """2 x 2 pieces of a flawless scanner: upright, upside down, sideways, and askew by 33 degrees."""
    sheet = truth.paint_sheet(700, 820, 2)
    places = [(250, 200, 0.4), (570, 200, 180.0), (215, 455, 90.5), (520, 440, -33.0)]
    tiles = truth.cut_tiles(sheet, [truth.pose(*place) for place in places])
    return joined.join_set(tmp_path_factory.mktemp("turned"), sheet, tiles)


@pytest.fixture
def pieces(tmp_path: Path) -> list[Path]:
    """Two small pieces on disk, read-only, 8 bits, with profile and dpi."""
    paths = truth.write_set(tmp_path / "pieces", joined.pair()[1], joined.DPI)
    for path in paths:
        path.chmod(0o444)
    return paths
