"""Declarations of the tables of ``transforms/roots``."""
