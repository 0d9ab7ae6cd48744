"""I check that commands start without libraries they do not need yet."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = ("cv2", "numba", "numpy", "scipy", "skimage", "jinja2")
# what a join needs, but not before pieces are looked at
LATER = ("jinja2", "networkx", "numba", "scipy", "skimage")
CODE = """
import sys
from stitchbed.cli import stitchbed
stitchbed.main(sys.argv[1:], standalone_mode=False)
print(*sorted(sys.modules), file=sys.stderr)
"""


@pytest.mark.parametrize("words", [["--help"], ["plan", "--help"], ["plan", "--art", "A2", "--bed", "216x297mm"]])
def test_no_library_for_pixels_is_loaded(words: list[str]) -> None:
    loaded = _loaded(words)
    assert "stitchbed.cli" in loaded
    assert loaded.isdisjoint(HEAVY)


def test_a_join_begins_without_what_comes_later() -> None:
    loaded = _loaded(["join", "--help"])
    assert "stitchbed.pipelines.join" in loaded and "cv2" in loaded
    assert loaded.isdisjoint(LATER)


def _loaded(words: list[str]) -> set[str]:
    done = subprocess.run([sys.executable, "-c", CODE, *words], capture_output=True, text=True, check=True)
    return set(done.stderr.split())
