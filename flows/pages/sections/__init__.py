"""Say what the tables hold, one module a part of a page; may import the modules of ``pages``."""
