"""I check that a page stays what it was cleaned as, for lines and copies, until it is changed."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from stitchbed.core.files import sha256_of
from stitchbed.page.found_medium import medium_told
from stitchbed.pipelines.clean import CleanSettings, clean
from stitchbed.pipelines.export import ExportSettings, export
from stitchbed.pipelines.lines import LinesSettings, lift_lines


@pytest.fixture(scope="module")
def cleaned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page in black strokes, which is ink by its looks, cleaned as paint."""
    folder = tmp_path_factory.mktemp("told")
    sheet = np.full((900, 900, 3), 235, np.uint8)
    for n in range(30):
        cv2.line(sheet, (40 + 27 * n, 100), (20 + 29 * n, 800), (20, 20, 20), 5, cv2.LINE_AA)
    tifffile.imwrite(folder / "scan.tif", sheet, photometric="rgb", resolution=(300, 300), resolutionunit=2)
    clean(folder / "scan.tif", folder / "page.tif", CleanSettings(medium="paint", pictures=False))
    return folder / "page.tif"


def test_lines_and_copies_go_by_what_a_page_was_cleaned_as(cleaned: Path, tmp_path: Path) -> None:
    told = lift_lines(cleaned, tmp_path / "lines.tif", LinesSettings(pictures=False))
    assert told["numbers"]["medium"]["name"] == "paint"
    assert not told["numbers"]["medium"]["asked"]
    asked = lift_lines(cleaned, tmp_path / "asked.tif", LinesSettings(pictures=False, medium="ink"))
    assert asked["numbers"]["medium"]["name"] == "ink"
    layers = export(cleaned, tmp_path, ExportSettings(lines=tmp_path / "lines.tif", make=("web",)))
    assert any("painted" in line for line in layers["warnings"])


def test_a_page_changed_since_or_cleaned_by_no_one_is_looked_at(cleaned: Path, tmp_path: Path) -> None:
    assert medium_told(cleaned, sha256_of(cleaned)) == "paint"
    assert medium_told(cleaned, "0" * 64) == ""
    assert medium_told(cleaned.with_name("scan.tif"), sha256_of(cleaned.with_name("scan.tif"))) == ""
    (tmp_path / "page.json").write_text("[]")
    assert medium_told(tmp_path / "page.tif", sha256_of(cleaned)) == ""
