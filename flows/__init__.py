"""Hold everything that touches the world, in rooms named by the way of the data; may import ``transforms`` and ``schemas``."""
