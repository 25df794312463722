"""`python -m simkit`: the same as the command `simkit`."""

from __future__ import annotations

import sys

from simkit.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
