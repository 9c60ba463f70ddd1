"""Declarations of the tables of ``transforms/money``, and of what people or instruments give for them."""
