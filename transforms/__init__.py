"""Make each table by a pure function, polars frames in and one polars frame out; may import ``schemas``, never the clock or files.

A file directly in a room makes the table of its name; ``methods`` hold what tables share.
"""
