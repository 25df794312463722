"""`python -m simkit`: the same as the command `simkit`."""

from __future__ import annotations

import sys

from simkit import aside

if __name__ == "__main__":
    aside.leave_current_folder()
    from simkit.cli.main import main

    sys.exit(main())
