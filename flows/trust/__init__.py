"""Audit, explain, status, backup, restore and rebuild; may import every room from ``base`` to ``pages``."""
