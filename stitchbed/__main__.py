"""I let `python -m stitchbed` and the command `stitchbed` begin, and be stopped, in words from the first moment on."""

import sys


def main() -> None:
    """Load the command line and run it; Ctrl-C while it loads is no error either."""
    try:
        from stitchbed.cli import main as run
    except KeyboardInterrupt:
        sys.stderr.write("Stopped.\n")
        sys.exit(130)
    run()


if __name__ == "__main__":
    main()
