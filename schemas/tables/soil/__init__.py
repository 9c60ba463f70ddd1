"""Declarations of the tables of ``transforms/soil``, and of what people or instruments give for them."""
