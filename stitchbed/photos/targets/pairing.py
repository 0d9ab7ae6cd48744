"""I read the patches of a chart in a picture and pair them with what they should be.

In: an open picture, which chart, a reference file. Out: a `Paired` reading, or why it cannot be trusted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitchbed.card.board import Patch, all_pieces
from stitchbed.card.cgats import References, read_tables, references
from stitchbed.card.chart24 import EDITIONS, NEUTRALS, find_chart24, mirrored24, numbered, references24
from stitchbed.card.detection import CORNER_SIGMA_PX, SeenCard, find_cards
from stitchbed.card.patches import MOST_CLIPPED, PatchReading, chart_places, in_picture, patch_corners, read_patches
from stitchbed.color.cielab import chroma_of
from stitchbed.core.arrays import Array
from stitchbed.core.errors import BadSettings, CardNotFound
from stitchbed.photos.geometry.plane_pose import PlaneFit, card_on_plane, photo_from_plane
from stitchbed.photos.solving.bundle_adjustment import solve_plane
from stitchbed.photos.solving.initial_guess import CardPoints
from stitchbed.photos.solving.plane_equations import PlaneSettings
from stitchbed.photos.survey.photo import Photo, full_px, gray_of

CHARTS = ("own", "24", "chart")
MOST_BAD = 0.2  # share of patches that may be clipped or uneven and left out; more says the picture is not fit for it
FEWEST = 8
GRAY_CHROMA = 4.0  # references with less chroma count as neutral
SAME_LAB = 0.006  # card.txt is written with two decimals


@dataclass(frozen=True)
class Paired:
    """names, light (N, 3), lab (N, 3) and neutral (N,) of the patches that can be used. reading : of all patches.

    title : of the reference. left_out : names with the reason. corners : (4, 2) px when the user gave them.
    middles : (N, 2) px of the patches, where known.
    """

    names: tuple[str, ...]
    light: Array
    lab: Array
    neutral: NDArray[np.bool_]
    reading: PatchReading
    title: str
    left_out: Mapping[str, str]
    corners: Array | None = None
    middles: Array | None = None


@dataclass(frozen=True)
class OwnCard:
    """The own card in a picture: its patches by name, their corners (4, 2) px, warnings of pieces left out."""

    patches: Mapping[str, Patch]
    places: Mapping[str, Array]
    warnings: tuple[str, ...] = ()


def own_card(photo: Photo) -> OwnCard:
    """Find the own card and where its patches lie.

    Raises
    ------
    CardNotFound : see `find_cards` and `solve_plane`.
    """
    cards, left_out = find_cards(gray_of(photo), photo.tile.name)
    sigma = CORNER_SIGMA_PX * photo.reduction
    points = [CardPoints(0, c.piece, c.card_xy, full_px(photo, c.photo_xy), sigma) for c in cards]
    fit = solve_plane([(photo.size[1], photo.size[0])], points, settings=PlaneSettings())
    return replace(card_on(cards, fit, 0), warnings=tuple(left_out.values()))


def card_on(cards: Sequence[SeenCard], fit: PlaneFit, number: int) -> OwnCard:
    """Where patches of the cards that a photo of a fit shows lie in it."""
    seen = {card.piece for card in cards}
    patches, places = {}, {}
    for piece in all_pieces():
        if piece.name in seen:
            for patch in piece.patches:
                patches[patch.name] = patch
                on_plane = card_on_plane(fit, piece.name, patch_corners(patch))
                places[patch.name] = photo_from_plane(fit, number, on_plane)
    return OwnCard(patches, places)


def read_own(photo: Photo, card: OwnCard) -> PatchReading:
    """Readings of all its patches that lie in the picture."""
    return read_patches(card.places, photo.windows.window, photo.size, photo.transfer)


def pair_own(photo: Photo, card: OwnCard, path: Path) -> Paired:
    """Readings of the own card with measured colors.

    Raises
    ------
    BadSettings : a file for other patches, or card.txt with its nominal values still in it.
    """
    known = references(read_tables(path), str(path))
    shared = [name for name in card.patches if name in known.lab]
    if len(shared) < FEWEST:
        raise BadSettings(
            f"{path} knows {len(shared)} of the {len(card.patches)} patches of the card in {photo.tile.name}",
            expected="measured colors of this card's patches, by the names in card.txt",
            attempt="the card.txt that was written with this card, with measured values filled in",
        )
    nominal = np.array([card.patches[name].lab for name in shared])
    if np.all(np.abs(np.array([known.lab[name] for name in shared]) - nominal) < SAME_LAB):
        raise BadSettings(
            f"{path} holds the nominal colors, not measured ones",
            expected="values read off this print by a measuring device",
            attempt="leave --patches away: then white balance and exposure are corrected, which is all an unmeasured "
            "print allows",
        )
    return _placed(paired(read_own(photo, card), known.lab, known.title), card.places)


def pair24(photo: Photo, edition: str | None, path: Path | None) -> Paired:
    """Readings of the chart of 24 patches, found by itself.

    Raises
    ------
    CardNotFound : no such chart. BadSettings : edition or reference missing or unfit.
    """
    known = _known24(edition, path)
    places = find_chart24(photo.small if photo.small.shape[2] == 3 else np.repeat(photo.small, 3, axis=2))
    if places is None:
        raise CardNotFound(
            f"{photo.tile.name} shows no chart of 24 patches",
            expected="the whole chart, flat, sharp and not mirrored, its patches at least 16 px large",
            attempt="a picture with the chart in it, or --card chart with --corners and --patches",
        )
    if mirrored24(places):
        raise CardNotFound(
            f"{photo.tile.name} shows the chart of 24 patches mirrored",
            expected="a picture that is not flipped",
            attempt="flip the picture left to right, then again",
        )
    full = {name: full_px(photo, quad) for name, quad in places.items()}
    reading = read_patches(full, photo.windows.window, photo.size, photo.transfer)
    return _placed(paired(reading, known.lab, known.title, neutrals=NEUTRALS), full)


def pair_chart(photo: Photo, corners: Array | None, path: Path | None) -> Paired:
    """Readings of any chart with a reference file, by the four corners of its patch field.

    Raises
    ------
    BadSettings : no corners, no file, or a file that does not say where its patches lie.
    """
    if corners is None or path is None:
        raise BadSettings(
            "--card chart without " + ("--corners" if corners is None else "--patches"),
            expected="the four corners of its patch field in the picture, and its reference file",
            attempt="--card chart --corners x,y x,y x,y x,y --patches reference.txt",
        )
    known = references(read_tables(path), str(path))
    places = in_picture(chart_places(known), corners)
    reading = read_patches(places, photo.windows.window, photo.size, photo.transfer)
    return _placed(paired(reading, known.lab, known.title, corners=corners), places)


def paired(
    reading: PatchReading,
    lab: Mapping[str, Array],
    title: str,
    *,
    neutrals: tuple[str, ...] | None = None,
    corners: Array | None = None,
) -> Paired:
    """Readings with references, bad ones left out.

    Raises
    ------
    BadSettings : too many patches clipped or uneven, or too few left.
    """
    left_out: dict[str, str] = {}
    keep = []
    for index, name in enumerate(reading.names):
        if name not in lab:
            continue
        if reading.clipped[index] > MOST_CLIPPED:
            left_out[name] = f"clipped ({reading.clipped[index]:.0%} of its pixels)"
        elif not reading.good[index]:
            left_out[name] = f"uneven ({reading.uneven[index]:.0%})"
        else:
            keep.append(index)
    _refuse_bad(left_out, len(keep), title)
    names = tuple(reading.names[i] for i in keep)
    target = np.array([lab[name] for name in names])
    gray = np.array([name in neutrals for name in names]) if neutrals is not None else chroma_of(target) < GRAY_CHROMA
    return Paired(names, reading.light[keep], target, gray, reading, title, left_out, corners)


def _placed(pair: Paired, places: Mapping[str, Array]) -> Paired:
    return replace(pair, middles=np.array([places[name].mean(0) for name in pair.names]))


def _known24(edition: str | None, path: Path | None) -> References:
    if path is None:
        if edition is None:
            raise BadSettings(
                "the chart of 24 patches without its edition",
                expected=f"--edition {' or '.join(EDITIONS)} (printed on its back), or its reference file",
                attempt="--edition from-2014 for a chart made since November 2014",
            )
        return references24(edition)
    known = references(read_tables(path), str(path))
    by_number = numbered(dict(known.lab))
    if by_number is None:
        raise BadSettings(
            f"{path} does not describe a chart of 24 patches ({len(known.lab)} patches)",
            expected="24 patches named 1 to 24, A1 to D6, or A1 to F4",
            attempt="the reference file of this chart, or --edition",
        )
    return References(by_number, {}, known.title)


def _refuse_bad(left_out: Mapping[str, str], kept: int, title: str) -> None:
    clipped = [name for name, reason in left_out.items() if reason.startswith("clipped")]
    total = kept + len(left_out)
    if kept >= FEWEST and len(left_out) <= MOST_BAD * total:
        return
    if total < FEWEST:
        raise CardNotFound(
            f"only {total} patches of {title} lie in the picture",
            expected="the whole chart in the picture",
            attempt="a picture that shows all of it; check --corners",
        )
    what = "burnt out or sunk in black" if len(clipped) > len(left_out) / 2 else "not of one tone"
    attempt = "a picture exposed so that its white stays below 99 % and its black above 0"
    if what == "not of one tone":
        attempt = "even light without shine; check that --corners start at the chart's top left and go round clockwise"
    raise BadSettings(
        f"{len(left_out)} of {total} patches are {what} ({', '.join(list(left_out)[:8])})",
        expected="patches that are neither clipped nor uneven",
        attempt=attempt,
    )


def only(pair: Paired, names: Sequence[str]) -> Paired:
    """The pair with those of its patches only."""
    kept = np.array([name in names for name in pair.names])
    middles = None if pair.middles is None else pair.middles[kept]
    left = tuple(name for name in pair.names if name in names)
    return replace(
        pair, names=left, light=pair.light[kept], lab=pair.lab[kept], neutral=pair.neutral[kept], middles=middles
    )


def left_out_words(pair: Paired) -> list[str]:
    """A note for each patch that was left out."""
    return [f"patch {name} was left out: {reason}" for name, reason in pair.left_out.items()]
