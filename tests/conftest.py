"""Timings are no matter of a test: a slow machine must not fail one."""

from hypothesis import settings

settings.register_profile("checkstrip", deadline=None)
settings.load_profile("checkstrip")
