"""What one farm gives to a network: where to, which rows, and when; may import base, farm and store.

``objects`` is the store (a folder or S3-compatible), ``rows`` what a farm's ``[share]`` lets out,
``pointer`` puts it into the store exactly once, ``push`` is the step of a run.
"""
