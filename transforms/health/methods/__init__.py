"""Methods that only the tables of ``health`` use; may import ``transforms/methods``."""
