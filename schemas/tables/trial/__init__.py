"""Declarations of the tables of ``transforms/trial``, and of what people or instruments give for them."""
