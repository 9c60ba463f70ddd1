"""Chunks of named columns become readings, or are rejected; may import ``readers``, ``store``, ``farm``, ``base``.

``times`` reads the stamps, ``values`` the numbers, ``places`` says which instrument and sensor a
row is of and whether it stood in its place, ``admit`` puts them together and checks the readings against
the declared limits (pandera).
"""
