"""Methods that only the tables of ``roots`` use; may import ``transforms/methods``."""
