"""Sniff: from an unknown export to a proposed layout, with the evidence for each item of it.

``text``, ``fixed``, ``other`` take the export apart to a grid of text; ``stamps`` finds the times,
``columns`` the quantities and missing codes, ``fit`` the units, ``zone`` the clock, ``shape`` long
exports; ``propose`` puts the layout together and ``toml`` writes it. Nothing here reads a file.
"""
