"""Tables that say how the weather was against normal; may import ``transforms/methods``."""
