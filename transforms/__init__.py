"""Second floor: pure functions, polars frames in, one polars frame out. No clock, no files."""
