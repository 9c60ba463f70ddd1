"""The door: chunks of named columns become readings, or are refused with the reason.

``times`` reads the stamps, ``values`` the numbers, ``places`` says which instrument and sensor a
row is of and whether it stood in its place, ``admit`` puts them together and holds the readings to
the declared limits (pandera).
"""
