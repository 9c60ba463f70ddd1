"""What people read (digest, report, start page, pictures, mail); may import ``store``, ``farm``, ``base``.

Inside, each imports only what stands left of it: ``cells``, ``reader_units``, ``published_tables``,
``week``, ``render``, then ``sections``, then ``pictures`` and ``mail``, then ``digest``, ``report`` and
``start``.
"""
