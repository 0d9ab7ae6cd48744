"""I check that threads share one heap, and that a library is loaded when it is first used and is then itself."""

from __future__ import annotations

import re
import subprocess
import sys
import threading

import pytest

from stitchbed.core.memory import beforehand, late

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


def test_a_library_is_loaded_when_it_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "colorsys", raising=False)
    library = late("colorsys")
    assert "colorsys" not in sys.modules
    assert library.rgb_to_hsv(1.0, 0.0, 0.0) == (0.0, 1.0, 1.0)
    assert library.hsv_to_rgb is sys.modules["colorsys"].hsv_to_rgb


def test_what_is_not_there_is_told_as_python_tells_it() -> None:
    with pytest.raises(AttributeError):
        _ = late("colorsys").nothing_of_this_name
    with pytest.raises(ModuleNotFoundError):
        _ = late("no_library_of_this_name").anything


def test_modules_are_loaded_beside_other_work(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("wave", "colorsys")
    for name in names:
        monkeypatch.delitem(sys.modules, name, raising=False)
    before = set(threading.enumerate())
    told: list[str] = []
    beforehand(names, lambda: told.extend(name for name in names if name in sys.modules))
    for thread in set(threading.enumerate()) - before:
        thread.join()
    assert told == list(names)
