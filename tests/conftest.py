"""Shared by every test: hypothesis without wall-clock deadlines (slow machines are no fault of the code)."""

from hypothesis import settings

settings.register_profile("spinlag", deadline=None, print_blob=True)
settings.load_profile("spinlag")
