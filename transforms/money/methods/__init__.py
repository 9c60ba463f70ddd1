"""Methods that only the tables of ``money`` use; may import ``transforms/methods`` and ``trial/methods``."""
