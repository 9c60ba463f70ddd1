"""Tables of what it cost, whether it has paid and where next; may import ``transforms/methods`` and ``trial/methods``."""
