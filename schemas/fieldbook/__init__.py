"""The field book and yield maps: sheets, headings and the words that people use; may import ``schemas``."""
