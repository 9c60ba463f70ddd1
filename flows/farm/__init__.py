"""The farm folder, ``farm.toml`` and the log file; may import ``base``."""
