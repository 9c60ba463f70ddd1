"""Errors, files, the lock, units, progress, cron times and safe text, for every room; imports only ``schemas``."""
