"""Tables of cost, payback and the next field; may import ``transforms/methods``, ``trial/methods``."""
