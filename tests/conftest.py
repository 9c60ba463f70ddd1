"""How the properties are drawn: no deadline (timings are no matter of a test), and in CI the same
examples every time, so that a landing is no lottery; everywhere else new ones each run."""

import os

from hypothesis import settings

settings.register_profile("checkstrip", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("checkstrip")
