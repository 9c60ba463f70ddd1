"""Declarations of the tables of ``transforms/weather``, and of what people or instruments give for them."""
