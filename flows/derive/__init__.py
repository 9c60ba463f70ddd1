"""Daily rows for the days that wait, then every derived table; may import ``store``, ``farm``, ``base`` and the
tables of ``transforms``.
"""
