"""Pictures. Every function takes an `ax` and data that is ready to draw, draws, and returns the `ax`."""
