"""``python -m sprout`` and the ``sprout`` command."""

import sys

from sprout.cli import main

__all__ = ["main"]

if __name__ == "__main__":
    sys.exit(main())
