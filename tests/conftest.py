"""Shared by every test: hypothesis without wall-clock deadlines (slow machines are no fault of the code)."""

import os

from hypothesis import settings

# as the command line does, before numpy is loaded
os.environ.setdefault("OMP_NUM_THREADS", "1")

settings.register_profile("spinlag", deadline=None, print_blob=True)
settings.load_profile("spinlag")
