"""I check that threads share one heap."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

# Four threads that hold memory at the same time; then the C library's own account of its heaps (malloc_info(3)).
THREADS = """
import ctypes, sys, threading
from stitchbed.core.memory import one_heap
if sys.argv[1] == "one":
    one_heap()
together = threading.Barrier(4)
def work():
    held = [bytes(60_000) for _ in range(100)]
    together.wait()
threads = [threading.Thread(target=work) for _ in range(4)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
library = ctypes.CDLL(None)
library.malloc_info(0, ctypes.c_void_p.in_dll(library, "stdout"))
library.fflush(None)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks the GNU C library")
@pytest.mark.parametrize(("how", "single"), [("one", True), ("each", False)])
def test_threads_share_a_heap_when_told_to(how: str, single: bool) -> None:
    told = subprocess.run([sys.executable, "-c", THREADS, how], capture_output=True, text=True, check=True).stdout
    assert (len(re.findall("<heap nr=", told)) == 1) is single


def test_elsewhere_it_does_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    from stitchbed.core import memory

    monkeypatch.setattr(memory.sys, "platform", "elsewhere")
    monkeypatch.setattr(memory.ctypes, "CDLL", lambda name: pytest.fail("asked the C library"))
    memory.one_heap()
