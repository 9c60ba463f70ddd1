"""Vegetation images, cut to the strips, archived and read; may import what books may import.

rasterio and exactextract are an extra: they are imported inside functions only.
"""
