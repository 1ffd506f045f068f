"""Property tests draw the same examples on every run, without a time limit; COSTING_FULL=1 draws new ones."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.register_profile("full", deadline=None)
settings.load_profile("full" if os.environ.get("COSTING_FULL") else "steady")
