"""I check that colors get the names people give them; the colors are those CSS Color 4 names."""

from __future__ import annotations

import numpy as np
import pytest

from stitchbed.color.cielab import SPACES, lab_from_xyz, xyz_from_rgb
from stitchbed.color.convert import hex_color
from stitchbed.color.names import color_name


@pytest.mark.parametrize(
    ("code", "name"),
    [
        ("#ff0000", "red"), ("#ffa500", "light orange"), ("#ffff00", "yellow"), ("#008000", "green"),
        ("#40e0d0", "light turquoise"), ("#add8e6", "light blue"), ("#00008b", "dark blue"), ("#ee82ee", "violet"),
        ("#ffc0cb", "light pink"), ("#a52a2a", "dark red"), ("#8b4513", "dark brown"), ("#f5f5dc", "light yellow"),
        ("#d2b48c", "beige"), ("#ffffff", "white"), ("#000000", "black"), ("#808080", "gray"),
        ("#d3d3d3", "light gray"),
    ],
)  # fmt: skip
def test_named_colors_are_called_so_or_by_their_family(code: str, name: str) -> None:
    value = np.array(hex_color(code)) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    assert color_name(lab_from_xyz(xyz_from_rgb(SPACES["srgb"]) @ linear)) == name
