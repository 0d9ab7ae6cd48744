"""I check that commands which touch no pixel start without the libraries for pixels."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("cv2", "numba", "numpy", "scipy", "skimage", "jinja2")
CODE = """
import sys
from stitchbed.cli import stitchbed
stitchbed.main(sys.argv[1:], standalone_mode=False)
print(*sorted(sys.modules), file=sys.stderr)
"""


@pytest.mark.parametrize("words", [["--help"], ["plan", "--help"], ["plan", "--art", "A2", "--bed", "216x297mm"]])
def test_no_library_for_pixels_is_loaded(words: list[str]) -> None:
    done = subprocess.run([sys.executable, "-c", CODE, *words], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "stitchbed.cli" in loaded
    assert loaded.isdisjoint(HEAVY)
