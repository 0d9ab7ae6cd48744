"""I let `python -m stitchbed` do what `stitchbed` does."""

from stitchbed.cli import main

if __name__ == "__main__":
    main()
