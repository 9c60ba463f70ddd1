"""The season report: a page that opens from disk and prints, for one season or for all years."""
