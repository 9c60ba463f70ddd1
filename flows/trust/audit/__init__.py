"""Check what is published for errors; may import the rooms from ``base`` to ``derive``.

Great Expectations is imported only in ``expectations``, when an audit runs.
"""
