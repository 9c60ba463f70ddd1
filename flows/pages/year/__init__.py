"""The trial's year: what is due by field and when, as lines, a calendar file and forms; may import ``sections``."""
