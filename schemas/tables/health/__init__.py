"""Declarations of the tables of ``transforms/health``."""
