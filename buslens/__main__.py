"""``python -m buslens``."""

from __future__ import annotations

import sys

from buslens.cli import main

if __name__ == "__main__":
    sys.exit(main())
