"""One declaration per table, in the room of its formula; may import ``schemas`` but no other declaration."""
