"""Make the report of a season or of all years; may import ``sections``, ``pictures`` and the modules of ``pages``."""
