"""I check that damaged files of every kind end in pixels or in words, and never in much memory."""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz_readers import damage, probe
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from peak_memory import run_measured
from picture_files import made_files

OUTCOMES = ("pixels", "UnreadableTile", "NotOnePicture", "CanvasTooLarge")
SETTINGS = settings(
    max_examples=150, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
EDITS = st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=8)


@SETTINGS
@given(made=st.sampled_from(made_files()), edits=EDITS, keep=st.one_of(st.just(1.0), st.floats(0, 1)))
def test_changed_bytes_and_cuts(tmp_path_factory: pytest.TempPathFactory, made, edits, keep) -> None:
    data = bytearray(made.data)
    for place, value in edits:
        data[int(place * len(data))] = value
    folder = tmp_path_factory.getbasetemp()
    assert probe(bytes(data[: int(len(data) * keep)]), folder / made.name) in OUTCOMES


@SETTINGS
@given(data=st.binary(max_size=400), made=st.sampled_from(made_files()), kept=st.integers(4, 60))
def test_random_bytes_behind_a_sound_beginning(tmp_path_factory: pytest.TempPathFactory, data, made, kept) -> None:
    path = tmp_path_factory.getbasetemp() / "random"
    assert probe(made.data[:kept] + data, path) in OUTCOMES


def test_both_outcomes_occur(tmp_path: Path) -> None:
    outcomes = damage(made_files(), 300, 11, tmp_path)
    # a change in pixel data mostly gives other pixels, one in a table mostly an error: neither may swallow the other
    assert outcomes["pixels"] > 30
    assert outcomes["UnreadableTile"] > 30


FIXTURES = Path(__file__).parents[1] / "fixtures"
ROUND = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from fuzz_readers import damage
from picture_files import made_files
damage(made_files(), 600, 12, Path(sys.argv[2]))
"""


def test_memory_stays_below_what_the_ceiling_allows(tmp_path: Path) -> None:
    _, peak = run_measured(ROUND, FIXTURES, tmp_path)
    # a million pixels of 8 bytes are 8 MiB, held a few times over; the program with what makes the files takes 150 MiB
    assert peak < 150 + 12 * 8
