"""Rules that several rooms share; may import ``schemas`` and one another."""
