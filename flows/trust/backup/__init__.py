"""Back up, restore and rebuild the farm folder; may import the rooms from ``base`` to ``intake``.

A backup is everything that cannot be rebuilt, and the warehouse, in another folder.
"""
