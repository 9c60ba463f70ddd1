"""Write the start page of a farm folder; may import the modules of ``pages``."""
