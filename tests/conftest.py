"""Settings of all tests."""

from __future__ import annotations

import os

# As simkit's command line does; tests run in several processes already.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
