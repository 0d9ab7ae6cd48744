"""Tests that no look over a whole page goes by without a word on how far it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
import tifffile
from ink_pages import drawing, seen, with_dust

from stitchbed.core.progress import Progress, ticking
from stitchbed.pipelines.clean import CleanSettings, clean
from stitchbed.pipelines.export import ExportSettings, export
from stitchbed.pipelines.flats import FlatsSettings, fill_flats
from stitchbed.pipelines.lines import LinesSettings, lift_lines

RNG = np.random.default_rng(3)
Told = dict[str, list[tuple[int, int]]]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Told]:
    """What each command told while it did a page, by its name."""
    folder = tmp_path_factory.mktemp("page")
    page = seen(with_dust(drawing(300, RNG), RNG, specks=40, white=4).dirty, 300, RNG)[:1000, :1200]
    paths = {name: folder / f"{name}.tif" for name in ("scan", "clean", "lines", "flats")}
    tifffile.imwrite(paths["scan"], page, photometric="minisblack", resolution=(300, 300), resolutionunit=2)
    layers = ExportSettings(lines=paths["lines"], flats=paths["flats"])
    steps: dict[str, Callable[[Progress], object]] = {
        "clean": lambda tell: clean(paths["scan"], paths["clean"], CleanSettings(), progress=tell),
        "lines": lambda tell: lift_lines(paths["clean"], paths["lines"], LinesSettings(), progress=tell),
        "flats": lambda tell: fill_flats(paths["lines"], paths["flats"], FlatsSettings(), progress=tell),
        "export": lambda tell: export(paths["clean"], folder, layers, progress=tell),
    }
    return {name: _told_by(do) for name, do in steps.items()}


def _told_by(do: Callable[[Progress], object]) -> Told:
    told: Told = defaultdict(list)
    do(lambda step, done, total: told[step].append((done, total)))
    return told


@pytest.mark.parametrize(
    ("command", "steps"),
    [
        ("clean", ["looking at the page", "looking for bare paper", "searching for dust", "weighing specks"]),
        ("lines", ["looking at the ink", "telling the medium", "lifting lines", "trying the lines over white"]),
        ("flats", ["looking at lines", "telling hatching from outlines", "closing gaps", "finding areas",
                   "numbering areas", "filling"]),
        ("export", ["listing colors", "writing layers", "putting layers together", "copying for print"]),
    ],
)  # fmt: skip
def test_each_look_over_a_page_is_told(made: dict[str, Told], command: str, steps: list[str]) -> None:
    assert [step for step in made[command] if step in steps] == steps


@pytest.mark.parametrize("command", ["clean", "lines", "flats", "export"])
def test_what_is_told_goes_up_to_its_end(made: dict[str, Told], command: str) -> None:
    for step, told in made[command].items():
        if step == "copying":  # told before each copy, whose own steps follow
            continue
        assert all(type(done) is int and type(total) is int for done, total in told), step
        assert told[-1][0] == told[-1][1], step
        falls = [a for a, b in pairwise(told) if b[0] <= a[0]]
        assert all(done == total for done, total in falls), step  # only a step that is over begins anew


def test_parts_done_on_any_thread_are_counted_in_order() -> None:
    told: list[tuple[str, int, int]] = []
    tick = ticking("work", 3, lambda *words: told.append(words))
    for _ in range(3):
        tick()
    assert told == [("work", 1, 3), ("work", 2, 3), ("work", 3, 3)]
