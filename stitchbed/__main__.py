"""I let `python -m stitchbed` and the command `stitchbed` begin, and be stopped, in words from the first moment on."""

import gc
import os
import sys


def main() -> None:
    """Load the command line and run it; Ctrl-C while it loads is no error either."""
    # linear algebra by one thread: work is spread over threads already, and more of them only wait for each other
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.disable()  # loading makes no garbage, and looking for it takes a fifth of the time
    try:
        from stitchbed.cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write("Stopped.\n")
        sys.exit(130)
    try:
        run()
    finally:
        gc.freeze()  # what is left ends with the process and need not be looked through


if __name__ == "__main__":
    main()
