"""I check that freed memory goes back to the system."""

from __future__ import annotations

import subprocess
import sys

import pytest

# Many small blocks, the last one kept: the C library cannot hand the rest back by itself, they lie below it.
HOLES = """
from pathlib import Path
from stitchbed.ground.memory import give_back
def resident():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 2**20
blocks = [bytes(60_000) for _ in range(2000)]
blocks = blocks[-1:]
before = resident()
give_back()
print(before - resident())
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks Linux how large the process is")
def test_holes_are_given_back() -> None:
    """120 MB freed; at least half must be seen to go (common practice, no source)."""
    found = subprocess.run([sys.executable, "-c", HOLES], capture_output=True, text=True, check=True)
    assert float(found.stdout) > 60


def test_elsewhere_it_does_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    from stitchbed.ground import memory

    monkeypatch.setattr(memory.sys, "platform", "elsewhere")
    monkeypatch.setattr(memory.ctypes, "CDLL", lambda name: pytest.fail("asked the C library"))
    memory.give_back()
