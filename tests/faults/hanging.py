"""A folder that never answers, as a network share whose server is gone: a FUSE mount nobody serves."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from pathlib import Path


class Hanging:
    """A mount on ``at`` for as long as it is entered; whoever asks it anything waits.

    Raises PermissionError where it cannot be made (Linux, root and /dev/fuse are needed).
    """

    def __init__(self, at: Path) -> None:
        self.at = at
        self._device = -1

    def __enter__(self) -> Hanging:
        if not sys.platform.startswith("linux"):
            raise PermissionError("only Linux")
        try:
            self._device = os.open("/dev/fuse", os.O_RDWR)
        except OSError as error:
            raise PermissionError(str(error)) from error
        self.at.mkdir(parents=True, exist_ok=True)
        options = f"fd={self._device},rootmode=40000,user_id=0,group_id=0".encode()
        libc = ctypes.CDLL(None, use_errno=True)
        if libc.mount(b"gone", os.fsencode(self.at), b"fuse", 0, options):
            why = os.strerror(ctypes.get_errno())
            os.close(self._device)
            raise PermissionError(why)
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._device)  # those who wait are told that the connection is gone
        subprocess.run(["umount", "-l", str(self.at)], check=True)
