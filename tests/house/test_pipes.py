"""I give every command a pipe nobody writes to, in every place where it takes a file: it must answer at once."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from small_jobs import invoke, page

from stitchbed.core.errors import StitchbedError

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")

SECONDS = 10  # a pipe is waited for without end
WORDS = (
    "check PIPE",
    "join PIPE -o OUT/c.tif",
    "join PAGE PIPE -o OUT/c.tif",
    "join PAGE -o PIPE.tif",
    "join PAGE -o OUT/c.tif --proof PIPE",
    "run PIPE",
    "compare PAGE PIPE",
    "rectify PIPE -o OUT/r.tif --dpi 100",
    "rectify PAGE -o OUT/r.tif --dpi 100 --size 50x40mm --blank PIPE",
    "color PIPE -o OUT/t.tif",
    "color PAGE -o OUT/t.tif --card 24 --patches PIPE",
    "color PAGE -o OUT/t.tif --chart-in PIPE",
    "clean PIPE -o OUT/c.tif",
    "clean PAGE -o OUT/c.tif --repair-mask PIPE",
    "lines PIPE -o OUT/l.tif",
    "flats PIPE -o OUT/f.tif",
    "flats PAGE -o OUT/f.tif --from PIPE",
    "export PIPE -o OUT",
    "export PAGE -o OUT --lines PIPE",
    "export PAGE -o OUT --flats PIPE",
)


@contextmanager
def at_once() -> Iterator[None]:
    """Fail when the block takes longer than SECONDS."""

    def late(*_: object) -> None:
        raise TimeoutError("it waits")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("words", WORDS)
def test_a_pipe_is_refused_wherever_it_is_given(words: str, tmp_path: Path) -> None:
    pipe, subject, out = tmp_path / "pipe.tif", page(tmp_path / "page.tif"), tmp_path / "out"
    os.mkfifo(pipe)
    out.mkdir()
    said = words.replace("PIPE.tif", str(pipe)).replace("PIPE", str(pipe)).replace("PAGE", str(subject))
    with at_once():
        done = invoke(tuple(said.split()), out)
    assert isinstance(done.exception, StitchbedError) and "pipe" in str(done.exception)
    assert pipe.is_fifo() and not list(out.iterdir())


def test_a_pipe_where_a_record_would_lie_is_no_record(tmp_path: Path) -> None:
    subject, out = page(tmp_path / "page.tif"), tmp_path / "out"
    os.mkfifo(tmp_path / "page.json")
    out.mkdir()
    for words in (("clean", str(subject), "-o", "OUT/c.tif"), ("export", str(subject), "--flats", str(subject))):
        with at_once():
            done = invoke((*words, *(() if words[0] == "clean" else ("-o", "OUT"))), out)
        assert done.exception is None or isinstance(done.exception, StitchbedError)
