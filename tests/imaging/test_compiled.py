"""I check that loops are compiled also where nothing can be kept, and that results are those of plain numpy."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest

from stitchbed.imaging.compiled import compiled
from stitchbed.imaging.transfer import to_stored, transfer_of
from stitchbed.imaging.transforms import fit_similarity, moved, similarity_matrix
from stitchbed.matching.features import Keypoints
from stitchbed.matching.hypotheses import LinkSettings, Matches, match, narrowed
from stitchbed.matching.similarity_links import Sight, agreement


def test_without_a_place_to_keep_it_a_loop_is_compiled_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = numba.njit

    def nowhere(loop: Any, **wishes: Any) -> Any:
        if wishes.get("cache"):
            raise RuntimeError("cannot cache function: no locator available")
        return plain(loop, **wishes)

    monkeypatch.setattr(numba, "njit", nowhere)

    def doubled(values: Any) -> None:
        for i in range(values.size):
            values[i] *= 2

    values = np.arange(4.0)
    compiled(doubled)(values)
    assert values.tolist() == [0, 2, 4, 6]


SOURCE = """
import numpy as np
from stitchbed.imaging.compiled import compiled
@compiled
def doubled(values):
    for i in range(values.size):
        values[i] *= 2
def run():
    values = np.arange(4.0)
    doubled(values)
    return values.tolist(), sum(doubled.machine_code().stats.cache_hits.values())
"""


def _run_afresh(folder: Path) -> tuple[list[float], int]:
    """As a new process would: the module read again, its compiled code found on disk or not."""
    spec = importlib.util.spec_from_file_location("kept_loop", folder / "kept_loop.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found: tuple[list[float], int] = module.run()
    return found


@pytest.mark.parametrize("suffix", [".nbi", ".nbc", ".seal"])
@pytest.mark.parametrize("damage", ["emptied", "zeros", "one bit", "gone"])
def test_damaged_code_is_compiled_anew(tmp_path: Path, suffix: str, damage: str) -> None:
    """As a power cut leaves it; the code is kept again then, and taken up by the run after."""
    (tmp_path / "kept_loop.py").write_text(SOURCE)
    assert _run_afresh(tmp_path) == ([0, 2, 4, 6], 0) and _run_afresh(tmp_path) == ([0, 2, 4, 6], 1)
    (file,) = (tmp_path / "__pycache__").glob(f"*{suffix}")
    content = file.read_bytes()
    middle = len(content) // 2
    turned = content[:middle] + bytes([content[middle] ^ 4]) + content[middle + 1 :]
    if damage == "gone":
        file.unlink()
    else:
        file.write_bytes({"emptied": b"", "zeros": bytes(len(content)), "one bit": turned}[damage])
    assert _run_afresh(tmp_path) == ([0, 2, 4, 6], 0) and _run_afresh(tmp_path) == ([0, 2, 4, 6], 1)


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
def test_light_that_is_no_number_is_black(dtype: str) -> None:
    light = np.array([np.nan, -np.inf, np.inf, -1, 2], np.float32)
    top = np.iinfo(dtype).max
    assert to_stored(light, dtype, transfer_of(None)).tolist() == [0, 0, top, 0, top]


def points(count: int, seed: int) -> Keypoints:
    rng = np.random.default_rng(seed)
    descriptors = rng.normal(size=(count, 128)).astype(np.float32)
    descriptors /= np.linalg.norm(descriptors, axis=1, keepdims=True)
    ones = np.ones(count, np.float32)
    return Keypoints(f"tile {seed}", rng.uniform(0, 1000, (count, 2)), ones, ones, descriptors, 2)


def test_nearest_descriptors_are_those_of_a_full_sort() -> None:
    a, b = points(150, 1), points(170, 2)
    b.descriptors[:90] = a.descriptors[:90] + 0.02 * b.descriptors[:90]
    b.descriptors[:] /= np.linalg.norm(b.descriptors, axis=1, keepdims=True)
    found = match(a, b, LinkSettings())
    order = np.argsort(-(a.descriptors @ b.descriptors.T), axis=1)
    clear = found.weight == 1.0
    assert found.index_a[clear].tolist() == list(range(90))
    assert np.array_equal(found.index_b[clear], order[:90, 0])


def test_narrowing_ends_at_the_least_squares_of_what_it_explains() -> None:
    """The fit itself against `motion.fit_similarity` (Umeyama 1991), rivals for one point against a plain search."""
    rng = np.random.default_rng(4)
    true = np.array([0.99, 0.05, 30.0, -20.0])
    src = rng.uniform(0, 800, (60, 2))
    dst = moved(similarity_matrix(true), src) + rng.normal(0, 0.4, src.shape)
    dst[40:] += rng.uniform(60, 300, (20, 2))
    again = moved(similarity_matrix(true), src[:10]) + 3.0  # the first ten once more, less well
    ends = np.concatenate([src, src[:10]]), np.concatenate([dst, again])
    index_a, index_b = np.concatenate([np.arange(60), np.arange(10)]), np.arange(70)
    matches = Matches(index_a, index_b, np.ones(70))
    params, inside = narrowed(true + (0, 0, 2, 2), ends, matches, np.array([20.0, 10.0, 6.0, 6.0]), 8)
    assert inside.tolist() == list(range(40))
    assert np.allclose(params, fit_similarity(src[:40], dst[:40], np.ones(40)), atol=1e-9)
    assert not len(narrowed(true, ends, matches, np.array([20.0]), 41)[1])


def test_agreement_is_the_correlation_of_what_both_show() -> None:
    rng = np.random.default_rng(6)
    one = rng.normal(size=(90, 120)).astype(np.float32)
    other = np.roll(one, 20, axis=1) + rng.normal(0, 0.5, one.shape).astype(np.float32)
    shift = np.array([[1.0, 0, 20], [0, 1, 0], [0, 0, 1]])
    expected = np.corrcoef(one[:, :100].ravel(), other[:, 20:].ravel())[0, 1]
    assert agreement(shift, (Sight(one, 1.0), Sight(other, 1.0))) == pytest.approx(expected, abs=2e-3)
    far = np.array([[1.0, 0, 119], [0, 1, 0], [0, 0, 1]])
    assert agreement(far, (Sight(one, 1.0), Sight(other, 1.0))) == -1.0
