"""Plan a trial before its first pass: strips, sheet and files; may import every room from ``base`` to ``pages``."""
