"""Explain where a number came from; may import the rooms from ``base`` to ``intake``, and formulas.

From a row back to its inputs, its method and the files behind it.
"""
