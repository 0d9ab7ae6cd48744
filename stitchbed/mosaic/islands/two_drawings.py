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

import numpy as np

from stitchbed.matching.similarity_links import Link


@dataclass(frozen=True)
class TwiceSettings:
    """drawn: cells' worth of drawing that a motion needs to be judged so: a motif or two, 7 cells, fitted another one
    by chance in 1 of 67 pairs. once: how much one drawing seen twice differs at most (`Evidence.differs`): .004 was the
    most seen where sheets lie flat; most: what differs more is no drawing seen twice, for 122 of 126 differed by less
    than .006 and two by more than this. farther, least: how many times that, and how much, two drawings of one motif
    must differ.
    """

    drawn: float = 10.0
    once: float = 0.006
    most: float = 0.009
    farther: float = 2.5
    least: float = 0.006


def told_apart(links: Sequence[Link], settings: TwiceSettings) -> tuple[list[Link], list[Link]]:
    """The links, those of one drawing seen twice no longer as fitting elsewhere; and the ones of two drawings alike.

    All stay as they are where nothing fits elsewhere, and where the two kinds are not clearly apart in the whole set.
    """
    most = _between_kinds(links, settings) if any(item.ambiguous for item in links) else None
    if most is None:
        return list(links), []
    kept, copies = ([item for item in links if _copied(item, most) == copied] for copied in (False, True))
    return [_told(item, most) if _judged(item, settings) else item for item in kept], copies


def of_two_kinds(one: float, other: float, settings: TwiceSettings) -> bool:
    """Whether what differs by `one` shows one drawing twice, and what differs by `other` clearly does not."""
    return one <= settings.once and other >= max(settings.least, settings.farther * one)


def _between_kinds(links: Sequence[Link], settings: TwiceSettings) -> float | None:
    """A difference that parts the two kinds; None where they are not apart, or there is one kind."""
    judged = [item for item in links if _judged(item, settings)]
    every = [differs for item in judged for differs in (item.differs, item.elsewhere)]
    once, rest = ([one for one in every if (one <= settings.once) == same] for same in (True, False))
    if not once or not rest or not of_two_kinds(max(once), min(rest), settings):
        return None
    return min((max(once) + min(rest)) / 2, 3 * settings.least)


def _judged(item: Link, settings: TwiceSettings) -> bool:
    """Whether enough is drawn to judge a link by."""
    return not item.said and item.drawn >= settings.drawn


def _copied(item: Link, most: float) -> bool:
    """Whether a link lays one drawing of a motif on another one."""
    return not item.said and most < item.differs < np.inf


def _told(item: Link, most: float) -> Link:
    """A link of one drawing seen twice: it fits elsewhere only where another place shows the same as well."""
    return replace(item, ambiguous=not item.differs < most < item.elsewhere)
