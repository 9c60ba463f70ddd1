"""The farm file and the layouts of loggers' exports, as pydantic models; may import ``schemas``."""
