"""What is known of a soil by the name of its texture.

Allen et al. 1998, FAO Irrigation and Drainage Paper 56, Table 19, the middle of the range (water
contents read, readily evaporable water from memory).
"""

# Field capacity, wilting point (m3/m3), readily evaporable water (mm).
TEXTURES = {
    "clay": (0.36, 0.22, 10.0),
    "silty clay": (0.36, 0.23, 10.0),
    "clay loam": (0.33, 0.20, 9.5),
    "loam": (0.25, 0.12, 9.0),
    "sandy loam": (0.23, 0.11, 8.0),
}


def named(text: str) -> str:
    """A texture's name as it is in ``TEXTURES``, however it was written."""
    return text.strip().lower()
