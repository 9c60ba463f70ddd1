"""The sections of a digest, one module each; may import the modules of ``pages``."""
