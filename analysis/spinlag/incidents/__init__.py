"""What went wrong, what came first, and what it coincides with."""
