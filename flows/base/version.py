"""The version of the installed program."""

from importlib.metadata import PackageNotFoundError, version

try:
    VERSION = version("checkstrip")
except PackageNotFoundError:  # run from a folder that was never installed
    VERSION = "not installed"
