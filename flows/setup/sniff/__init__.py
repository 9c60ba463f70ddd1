"""Proposes a layout for an unknown export, with the evidence; may import what ``flows.setup`` may, not its other rooms.

``text``, ``fixed_width``, ``other_formats`` take the export apart to a grid of text; ``stamps`` finds
the times, ``columns`` the quantities and missing codes, ``unit_fit`` the units, ``zone`` the clock,
``long_exports`` the shape; ``propose`` puts the layout together. Only ``sniff_file``, which
writes it, reads files.
"""
