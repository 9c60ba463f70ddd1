"""The table of which instrument needs attention; may import ``transforms/methods``."""
