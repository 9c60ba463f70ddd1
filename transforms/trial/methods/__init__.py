"""Methods that only the tables of ``trial`` use (and ``money``); may import ``transforms/methods``."""
