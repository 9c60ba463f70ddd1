"""Field book, yield maps and table of normals, read and checked; may import ``store``, ``farm``, ``base``."""
