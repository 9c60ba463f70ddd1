"""Files on their way in: ``sources``, ``readers``, ``door``, landing, and reading again after a change of the set-up;
may import ``books``, ``derive.waiting_days``, ``store``, ``farm``, ``base``.
"""
