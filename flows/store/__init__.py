"""Archive, warehouse, published copy, upgrades and checksum; may import ``farm`` and ``base``."""
