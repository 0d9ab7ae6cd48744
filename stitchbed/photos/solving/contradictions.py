"""I say which of several photos it is that no one plane explains together with the others.

In: card corners, ties, a refusal of them all. Out: the refusal in words that name the photo.

Bent cards, a card that was moved between two photos, and a photo of another work all end alike: nothing fits. Each
photo by itself, and all but one of them, tell these apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from stitchbed.core.errors import CardNotFound
from stitchbed.photos.solving.bundle_adjustment import NO_PLANE, solve_plane
from stitchbed.photos.solving.initial_guess import CardPoints, TiePoints
from stitchbed.photos.solving.plane_equations import PlaneSettings

LEFT_LYING = "photos of one work whose cards stay where they lie until the last photo is taken"


def refusal_of(
    error: CardNotFound,
    sizes: Sequence[tuple[int, int]],
    cards: Sequence[CardPoints],
    settings: PlaneSettings,
    ties: Sequence[TiePoints],
) -> CardNotFound:
    """What to raise for `error`, which solving all photos together ended with; arguments as of `solve_plane`."""
    count = len(sizes)
    if count < 2 or error.expected != NO_PLANE:
        return error

    def fits(photos: Sequence[int]) -> bool:
        return _fits(photos, sizes, cards, settings, ties)

    bent = [photo for photo in range(count) if any(card.photo == photo for card in cards) and not fits([photo])]
    if bent:
        return CardNotFound(f"{error.found}; those of {_named(bent)} do not by themselves", **_rest(error))
    odd = [photo for photo in range(count) if fits([other for other in range(count) if other != photo])]
    again = "photograph again without moving the work or a card in between"
    which, attempt = "", again
    if len(odd) == 1:
        which = f": {_named(odd)} does not fit the others, which fit each other"
        attempt = f"{again}, or leave that photo out if the others show all of the work"
    return CardNotFound(
        f"each photo's cards lie flat by themselves, but the photos contradict each other{which}",
        expected=LEFT_LYING,
        attempt=attempt,
    )


def _fits(
    photos: Sequence[int],
    sizes: Sequence[tuple[int, int]],
    cards: Sequence[CardPoints],
    settings: PlaneSettings,
    ties: Sequence[TiePoints],
) -> bool:
    """Whether one plane explains some of the photos."""
    place = {photo: at for at, photo in enumerate(photos)}
    own = [replace(card, photo=place[card.photo]) for card in cards if card.photo in place]
    shared = [replace(tie, a=place[tie.a], b=place[tie.b]) for tie in ties if tie.a in place and tie.b in place]
    if not own:
        return False
    try:
        solve_plane([sizes[photo] for photo in photos], own, settings=settings, ties=shared)
    except CardNotFound:
        return False
    return True


def _named(photos: Sequence[int]) -> str:
    numbers = " and ".join(str(photo + 1) for photo in photos)
    return f"photo {numbers}" if len(photos) == 1 else f"photos {numbers}"


def _rest(error: CardNotFound) -> dict[str, str]:
    return {"expected": error.expected, "attempt": error.attempt}
