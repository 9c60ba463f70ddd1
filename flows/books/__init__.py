"""What people keep (field book, yield maps, table of normals), read and checked; may import ``store``, ``farm``, ``base``."""
