"""Join scans or photographs of one artwork into one true master, then make it ready for print and color.

The names a library user needs: `join` for the main job with `JoinSettings`, and `StitchbedError` for all it may raise.
"""

from stitchbed.ground.errors import StitchbedError
from stitchbed.ground.job import VERSION as __version__
from stitchbed.stories.join import JoinSettings, join

__all__ = ["JoinSettings", "StitchbedError", "__version__", "join"]
