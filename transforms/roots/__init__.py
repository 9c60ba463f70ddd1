"""Tables of the depths that gave water and of the arrival of roots; may import ``transforms/methods``."""
