"""Hold all that touches the world, in rooms by the way of the data; may import ``transforms`` and ``schemas``."""
