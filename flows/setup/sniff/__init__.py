"""Proposes a layout for an unknown export, with the evidence; may import what ``flows.setup`` may, not its other rooms.

``text``, ``fixed_width``, ``other_formats`` take the export apart to a grid of text; ``stamps`` finds
the times, ``headings`` what a heading says, ``columns`` and ``twice`` the quantities and missing codes,
``unit_fit`` the units, ``zone`` and ``stamp_end`` the clock, ``long_exports`` and ``repeats`` the shape;
``propose`` puts the layout together, ``several`` joins those of several files. Only ``sniff_file``, which
writes it, reads files.
"""
