"""Adds a logger's files to a farm: layout, instrument, source, readings; may import what ``flows.setup`` may.

``looked`` reads the files, ``asked_layout`` and ``asked_places`` ask what they do not say,
``written`` puts the answers into farm.toml and takes them out again, ``landed`` archives and lands;
``add`` does all of it in order.
"""
