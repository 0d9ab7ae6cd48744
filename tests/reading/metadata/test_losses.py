"""I check the phrases on what a kind of file lost, each by the fact that calls for it."""

from __future__ import annotations

from stitchbed.reading.metadata.losses import lossy

HALVED = "its colors have half the resolution"
CURVE = "the camera's tone curve is in it (raw photographs are free of it)"


def test_each_fact_has_its_phrase_and_no_other() -> None:
    assert lossy("JPEG", bits=8) == ("JPEG is lossy", "it has 8 bits")
    assert lossy("HEIC", bits=10) == ("HEIC is lossy",)
    assert lossy("AVIF", bits=12, halved=True) == ("AVIF is lossy", HALVED)
    assert lossy("HEIC", bits=10, camera=True) == ("HEIC is lossy", CURVE)
    assert lossy("JPEG", bits=8, halved=True, camera=True) == ("JPEG is lossy", HALVED, "it has 8 bits", CURVE)
