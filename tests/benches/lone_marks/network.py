"""I fit the small network that weighs a lone mark, and write it as the package reads it.

In: what was seen of marks, and which of them are dust. Out: a `Network`; the text of its file.

Reference: Kingma & Ba, Adam: a method for stochastic optimization, ICLR 2015.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitchbed.core.arrays import Array
from stitchbed.page.dust.surroundings import BOUND, Network

HEAD = (
    "# names of what is looked at; mean and spread of each; a unit per row: weights, offset, weight of what it says; "
    "constant"
)


@dataclass(frozen=True)
class Fitting:
    """rounds over all marks, `together` of them to a step; rate : the first step's, falls to none as a cosine does.

    decay : of the weights, half its product with their squares is added to the mean cross-entropy. first, second, least
    : Adam's, as its paper proposes. seed : of the first weights and the order.
    """

    units: int = 16
    rounds: int = 160
    together: int = 512
    rate: float = 4e-3
    decay: float = 1e-4
    first: float = 0.9
    second: float = 0.999
    least: float = 1e-8
    seed: int = 1


def fitted(names: tuple[str, ...], seen: Array, dust: Array, how: Fitting | None = None) -> Network:
    """names : (k,) of what is seen (n, k). dust : (n,) 1 for dust, 0 for ink."""
    how = how or Fitting()
    rng = np.random.default_rng(how.seed)
    mean, sd = seen.mean(axis=0), seen.std(axis=0) + 1e-6
    given = np.clip((seen - mean) / sd, -BOUND, BOUND)
    weights = _descended(_first(rng, given.shape[1], how.units, float(dust.mean())), given, dust, rng, how=how)
    return Network(names, mean, sd, weights[0], weights[1], weights[2], float(weights[3]))


def _first(rng: np.random.Generator, looked_at: int, units: int, share: float) -> list[Array]:
    """Weights into the units, their offsets, weights out of them, the constant. share : of dust."""
    into, out = rng.normal(0, looked_at**-0.5, (looked_at, units)), rng.normal(0, units**-0.5, units)
    return [into, np.zeros(units), out, np.array(np.log(share / (1 - share)))]


def _descended(
    weights: list[Array], given: Array, dust: Array, rng: np.random.Generator, *, how: Fitting
) -> list[Array]:
    """The weights after all steps of Adam."""
    means, squares = ([np.zeros_like(part) for part in weights] for _ in range(2))
    step = 0
    for turn in range(how.rounds):
        order, rate = rng.permutation(len(given)), how.rate / 2 * (1 + np.cos(np.pi * turn / how.rounds))
        for at in range(0, len(given), how.together):
            some, step = order[at : at + how.together], step + 1
            slopes = _slopes(weights, given[some], dust[some], how.decay)
            means = [how.first * m + (1 - how.first) * slope for m, slope in zip(means, slopes, strict=True)]
            squares = [how.second * s + (1 - how.second) * slope**2 for s, slope in zip(squares, slopes, strict=True)]
            begun, wide = 1 - how.first**step, 1 - how.second**step
            steps = [m / begun / (np.sqrt(s / wide) + how.least) for m, s in zip(means, squares, strict=True)]
            weights = [part - rate * one for part, one in zip(weights, steps, strict=True)]
    return weights


def _slopes(weights: list[Array], given: Array, dust: Array, decay: float) -> list[Array]:
    """Of what is made small, by each of the weights."""
    into, offset, out, constant = weights
    units = np.tanh(given @ into + offset)
    error = (1 / (1 + np.exp(-(units @ out + constant))) - dust) / len(given)
    back = np.outer(error, out) * (1 - units**2)
    return [given.T @ back + decay * into, back.sum(axis=0), units.T @ error + decay * out, error.sum()]


def written(network: Network) -> str:
    """The file's text, read back by `surroundings.learned`."""
    units = np.column_stack([network.into.T, network.offset, network.out])
    rows = [network.mean, network.sd, *units, np.array([network.constant])]
    lines = [" ".join(f"{value:.4g}" for value in row) for row in rows]
    return "\n".join([HEAD, " ".join(network.names), *lines, ""])
