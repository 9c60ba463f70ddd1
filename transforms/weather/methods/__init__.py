"""Methods that only the tables of ``weather`` use; may import ``transforms/methods``."""
