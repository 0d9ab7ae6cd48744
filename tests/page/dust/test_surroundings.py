"""I check what the network looks at by counts done by hand, what it says by its sums, and that it learned sense."""

from __future__ import annotations

from math import exp, log, tanh

import numpy as np
import pytest
from finds_table import table

from stitchbed.core.arrays import Array
from stitchbed.page.dust.candidates import Scale
from stitchbed.page.dust.classify import LIMITS, DustSettings, judged
from stitchbed.page.dust.evidence import COARSE_DPI, FINE_DPI, odds
from stitchbed.page.dust.finds import Finds
from stitchbed.page.dust.spread import SPREAD
from stitchbed.page.dust.surroundings import SURER, Network, asked, in_field, learned, odds_among, seen_among
from stitchbed.page.ink import InkTraits

AT_300, AT_600 = Scale(300 / 25.4, 0.5), Scale(600 / 25.4, 0.5)
PEN = 0.12
K = AT_300.px_per_mm


def at(x: float, y: float, **said: float) -> dict[str, float]:
    return {"row": y * K, "col": x * K, **said}


def test_marks_round_a_mark_are_counted_by_what_they_are_likely() -> None:
    finds = table(at(10.2, 10.2), at(11.2, 10.2), at(10.2, 13.2, size=0.4), at(10.2, 17.2), at(11.2, 11.2, kind=1))
    chances = [log(3), log(3), -log(3), log(3), log(3)]  # 3/4, 3/4, 1/4, 3/4; the last is no lone mark
    seen = seen_among(finds, np.array(chances), AT_300, PEN)
    first = {name: float(seen[name][0]) for name in seen}
    assert first["dust_near"] == pytest.approx(log(1 + 0.75))
    assert first["ink_near"] == pytest.approx(log(1 + 0.25))
    assert first["alike_near"] == pytest.approx(log(1 + 0.25))
    assert first["dust_far"] == pytest.approx(log(1 + 0.75 + 0.25))
    assert first["ink_far"] == pytest.approx(log(1 + 0.25 + 0.75))
    assert first["alike_far"] == pytest.approx(log(1 + 0.25))  # .4 mm is twice as large


def test_one_mark_by_itself_is_not_surer_than_the_surest() -> None:
    finds = table(at(5, 5), at(5.6, 5))
    dust = [float(seen_among(finds, np.array([0.0, sure]), AT_300, PEN)["dust_near"][0]) for sure in (8.0, 50.0)]
    assert dust[0] == dust[1] == pytest.approx(log(1 + 1 / (1 + exp(-8))))


def test_sizes_count_by_the_pen() -> None:
    finds = table(at(5, 5, size=0.3, long=0.009, short=0.0025))
    seen = seen_among(finds, np.zeros(1), AT_300, 1.5 * PEN)
    assert seen["size"][0] == pytest.approx(log(2))
    assert seen["long"][0] == pytest.approx(4.0)
    assert seen["short"][0] == pytest.approx(1000 * 0.0025 / 2.25)


def test_the_sums_of_a_network() -> None:
    into, offset, out = np.array([[0.5, -1.0], [0.25, 0.0]]), np.array([0.1, 0.0]), np.array([2.0, 3.0])
    network = Network(("a", "b"), np.array([1.0, 0.0]), np.array([2.0, 1.0]), into, offset, out, -0.5)
    said = asked(network, {"a": np.array([3.0, 99.0]), "b": np.array([-1.0, 0.0])})
    assert said[0] == pytest.approx(2 * tanh(0.5 - 0.25 + 0.1) + 3 * tanh(-1) - 0.5)
    assert said[1] == pytest.approx(2 * tanh(0.5 * 4 + 0.1) + 3 * tanh(-4) - 0.5)  # no farther than four spreads


@pytest.mark.parametrize("dpi", [COARSE_DPI, FINE_DPI])
def test_each_file_holds_a_network_of_what_is_seen(dpi: float) -> None:
    network = learned(dpi)
    seen = seen_among(table(at(5, 5)), np.zeros(1), AT_300, PEN)
    assert set(network.names) <= set(seen)
    assert set(SPREAD) <= set(network.names)
    assert network.into.shape == (len(network.names), len(network.out))
    assert (network.sd > 0).all()
    assert np.isfinite(network.into).all()


def black(x: float, y: float, **said: float) -> dict[str, float]:
    """A round black dot of .2 mm as a scan at 300 dpi shows it."""
    dot = {"top": 0.95, "long": 0.0025, "short": 0.0025, "compact": 1.0, "tail": 0.8, "fourth": 0.7, "uneven": 0.1}
    return at(x, y, **{**dot, **said})


def gray(x: float, y: float, **said: float) -> dict[str, float]:
    """A ragged gray grain of .2 mm."""
    grain = {"top": 0.4, "long": 0.006, "short": 0.003, "compact": 0.6, "tail": 0.9, "fourth": 0.7, "uneven": 0.4}
    look = {"size": 0.13, "peak": 0.3, "shape": 0.75, "dark": 0.45, "gain": 12.0, "width": 0.1, "bare": 0.99}
    return at(x, y, **{**grain, **look, **said})


def test_black_dots_are_drawn_and_gray_grains_dust() -> None:
    dots, grains = [black(3 + n, 5) for n in range(6)], [gray(3 + 8 * n, 40) for n in range(4)]
    said = odds_among(table(*dots, *grains), AT_300, PEN)
    assert said[:6].max() < -1
    assert said[6:].min() > 3


def test_from_600_dpi_on_other_numbers_are_asked_and_between_both() -> None:
    finds, between = table(black(5, 5), gray(30, 30)), Scale(300 * 2**0.5 / 25.4, 0.5)
    assert np.array_equal(odds_among(finds, AT_600, PEN), _said(finds, AT_600, FINE_DPI))
    half = (_said(finds, between, COARSE_DPI) + _said(finds, between, FINE_DPI)) / 2
    assert np.allclose(odds_among(finds, between, PEN), half)


def _said(finds: Finds, scale: Scale, dpi: float) -> Array:
    more = SURER if dpi == FINE_DPI else 0
    return asked(learned(dpi), seen_among(finds, odds(finds, scale, PEN), scale, PEN)) + more


def test_no_finds_no_odds() -> None:
    assert odds_among(table(), AT_300, PEN).shape == (0,)


def small(x: float, y: float, **said: float) -> dict[str, float]:
    """A black dot of .1 mm, which at 300 dpi is a pixel and no darker than a grain."""
    spread = {"top": 0.4, "long": 0.001, "short": 0.001, "compact": 1.0, "tail": 0.8, "fourth": 0.4, "uneven": 0.1}
    look = {"size": 0.11, "peak": 0.3, "shape": 0.95, "dark": 1.0, "gain": 0.0, "width": 0.07, "bare": 0.995}
    return at(x, y, **{**spread, **look, "extent": 0.17, **said})


FIELD = [black(5 + 5 * (n % 6), 5 + 5 * (n // 6), size=0.19) for n in range(24)]


def test_the_smallest_of_a_field_of_dots_is_a_dot_of_it() -> None:
    finds = table(*FIELD, small(17.5, 12.5), small(17.5, 60), gray(12.5, 17.5), small(12.5, 12.5, size=0.06))
    told = in_field(finds, np.array([-3.0] * 24 + [6.0] * 4), AT_300, PEN)
    assert told[24]
    assert not told[25:].any()  # far from all dots; gray; smaller than any pen's dot


def test_a_few_dots_are_no_field_and_at_600_dpi_more_shows() -> None:
    few = table(*FIELD[:10], small(7.5, 7.5))
    assert not in_field(few, np.array([-3.0] * 10 + [6.0]), AT_300, PEN).any()
    finds = table(*FIELD, small(17.5, 12.5))
    said = np.array([-3.0] * 24 + [6.0])
    assert in_field(finds, said, AT_300, PEN).sum() == 1
    assert not in_field(finds, said, AT_600, PEN).any()
    assert not in_field(finds, np.full(25, 6.0), AT_300, PEN).any()
    assert in_field(table(), np.zeros(0), AT_300, PEN).shape == (0,)


def test_careful_leaves_the_smallest_of_a_field_and_takes_it_elsewhere() -> None:
    finds = table(*FIELD, small(17.5, 12.5), small(17.5, 60))
    ink = InkTraits(black=0.04, found=True, blur=0.6, noise=0.01, level=0.0)
    assert (odds_among(finds, AT_300, PEN)[24:] > LIMITS["careful"].odds + LIMITS["careful"].coarse).all()
    dust = judged(finds, ink, AT_300, DustSettings())
    assert list(np.flatnonzero(dust)) == [25]
