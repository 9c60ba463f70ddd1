"""Make a page's message, keep it in an outbox on disk and send it; may import the modules of ``pages``."""
