"""The simulator of the invented demo farm: weather, soil, crops, instruments, files, truth.

It knows nothing of flows or transforms, and nothing of the program reads its truth.
"""
