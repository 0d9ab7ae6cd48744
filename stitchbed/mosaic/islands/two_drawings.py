"""I tell one drawing that two pieces see from two drawings of one motif, by what the pieces of this sheet show.

In: links, some of which fit as well elsewhere. Out: links told apart, and those that show another copy of the motif.

Stamps, borders, scales and bricks that a hand repeats come out nearly alike, so each of several places is probable by
itself. But two scans of one drawing differ by noise and the bed alone, two drawings of one motif by the hand as well:
where the links of a set fall into two kinds with nothing between, those that differ more are of other copies. Motifs
that are printed are all of the first kind, and stay as they are: fitting at several places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from stitchbed.matching.similarity_links import Fit, Link


@dataclass(frozen=True)
class TwiceSettings:
    """drawn: cells' worth of drawing that a motion needs to be judged so: a motif or two, 7 cells, fitted another one
    by chance in 1 of 67 pairs. once: how much one drawing seen twice differs at most (`Evidence.differs`): .004 was the
    most seen where sheets lie flat; most: what differs more is no drawing seen twice, for 122 of 126 differed by less
    than .006 and two by more than this. apart, least: how many times that, and how much, two drawings of one motif must
    differ.
    """

    drawn: float = 10.0
    once: float = 0.006
    most: float = 0.009
    apart: float = 2.5
    least: float = 0.006


def told_apart(links: Sequence[Link], settings: TwiceSettings) -> tuple[list[Link], list[Link]]:
    """The links, those of one drawing seen twice no longer as fitting elsewhere; and the ones of two drawings alike.

    All stay as they are where nothing fits elsewhere, and where the two kinds are not clearly apart in the whole set.
    """
    most = _between_kinds(links, settings) if any(item.ambiguous for item in links) else None
    if most is None:
        return list(links), []
    told = [item if fit is None else replace(item, ambiguous=not fit.differs < most < fit.elsewhere)
            for item in links for fit in [_asked(item, settings)]]  # fmt: skip
    copies = [item for item in told if item.fit is not None and not item.said and item.fit.differs > most]
    return [item for item in told if not any(item is other for other in copies)], copies


def of_two_kinds(one: float, other: float, settings: TwiceSettings) -> bool:
    """Whether what differs by `one` shows one drawing twice, and what differs by `other` clearly does not."""
    return one <= settings.once and other >= max(settings.least, settings.apart * one)


def _between_kinds(links: Sequence[Link], settings: TwiceSettings) -> float | None:
    """A difference that parts the two kinds; None where they are not apart, or there is one kind."""
    fits = [fit for item in links if (fit := _asked(item, settings)) is not None]
    every = [differs for fit in fits for differs in (fit.differs, fit.elsewhere)]
    once, rest = ([one for one in every if (one <= settings.once) == same] for same in (True, False))
    if not once or not rest or not of_two_kinds(max(once), min(rest), settings):
        return None
    return min((max(once) + min(rest)) / 2, 3 * settings.least)


def _asked(item: Link, settings: TwiceSettings) -> Fit | None:
    """How well a link fits where enough is drawn to judge by."""
    return item.fit if item.fit is not None and not item.said and item.fit.drawn >= settings.drawn else None
