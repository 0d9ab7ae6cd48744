"""I word what a kind of file lost of the picture before anyone read it.

In: facts of a codec. Out: phrases for `Raster.lost`; none where the file keeps what was put in.
"""

from __future__ import annotations


def lossy(codec: str, *, bits: int, halved: bool = False, camera: bool = False) -> tuple[str, ...]:
    """What lossy coding took.

    halved : colors are stored at half the resolution each way (4:2:0, or 4:2:2 in one). camera : the maker's tone curve
    is in it, as in every picture that a camera or phone has finished.
    """
    told = [f"{codec} is lossy"]
    if halved:
        told.append("its colors have half the resolution")
    if bits == 8:
        told.append("it has 8 bits")
    if camera:
        told.append("the camera's tone curve is in it (raw photographs are free of it)")
    return tuple(told)
