"""Tables of the water in the soil and of the rain that stayed; may import ``transforms/methods``."""
