"""Adds a logger's files to a farm: layout, instrument, source, readings; may import what ``flows.setup`` may.

``looked`` reads the files, ``asked_layout`` and ``asked_places`` ask what they do not say,
``planned`` makes of it what farm.toml lacks, ``written`` puts that in and takes it out again,
``landed`` archives and lands; ``added_map`` adds a yield map; ``add`` does all of it in order.
"""
