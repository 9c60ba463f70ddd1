"""Make each table by a pure function: polars frames in, one frame out; may import ``schemas`` only.

No clock, no files. A file directly in a room makes the table of its name; ``methods`` hold what
tables share.
"""
