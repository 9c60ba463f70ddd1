"""What people read (digest, season report, pictures, mail); may import ``store``, ``farm``, ``base``.

Inside: the modules of this folder, then ``sections``, ``pictures`` and ``mail``, then ``digest`` and ``report``.
"""
