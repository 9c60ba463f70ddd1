"""What things are: tables, quantities, farm file, field book; may import nothing of ours.

Nothing here computes, reads a file or knows the clock.
"""
