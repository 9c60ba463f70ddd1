"""Make the weekly digest and its letters; may import every other part of ``pages`` except ``report``."""
