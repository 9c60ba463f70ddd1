"""One module a file format: bytes in, chunks of named columns out; may import ``base`` only.

``chunk`` is what a reader takes and gives, ``headings`` finds its columns, ``packed`` unpacks gzip
and zip before it, ``by_format`` chooses it. A new format is one more module here.
"""
