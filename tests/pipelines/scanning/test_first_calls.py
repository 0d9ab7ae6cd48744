"""I check that a join finds its loops compiled for just what it hands them."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest

from stitchbed.imaging.compiled import _Loop
from stitchbed.imaging.transfer import transfer_of
from stitchbed.pipelines.join import JoinSettings, join
from stitchbed.pipelines.scanning.first_calls import first_calls


def _kinds() -> dict[str, set[str]]:
    """Of each loop that was called: the kinds of arguments."""
    # by type(): asking a dead weak reference for its class fails
    loops = [each for each in gc.get_objects() if type(each) is _Loop and each._fast is not None]
    return {f"{one.__module__}.{one.__qualname__}": {str(kind) for kind in one._fast.signatures} for one in loops}


def test_a_join_calls_no_loop_with_other_arguments(
    pieces: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first_calls("uint8", 3, transfer_of(None))
    before = _kinds()
    monkeypatch.setattr("stitchbed.pipelines.join.first_calls", lambda *kind: None)
    join(pieces, tmp_path / "canvas.tif", JoinSettings(workers=1))
    assert before and before == _kinds()
