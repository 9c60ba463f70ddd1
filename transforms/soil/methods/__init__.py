"""Methods that only the tables of ``soil`` use; may import ``transforms/methods``."""
