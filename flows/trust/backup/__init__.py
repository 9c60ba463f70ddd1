"""Backups: everything that cannot be made again, and the warehouse, in another folder."""
