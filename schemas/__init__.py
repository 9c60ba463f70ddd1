"""First floor: what things are. Nothing here computes, reads a file or knows the clock."""
