"""Tables of what the strips yielded, whether the practice worked, why and for how long; may import
``transforms/methods``.
"""
