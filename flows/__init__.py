"""Third floor: everything that touches the world."""
