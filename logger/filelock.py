"""A lock that the system lets go of when its process ends, however it ends."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from thermal.fields import InputError


class FileLock:
    """Holds a file for this process alone.

    Args:
        path: of the file, made where it is not there; it stays. words: what to say where another holds it.

    Raises:
        InputError: another holds it.
    """

    def __init__(self, path: Path, words: str) -> None:
        self._file: int | None = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _lock(self._file)
        except OSError:
            self.close()
            raise InputError(f"{path}: {words}") from None

    def close(self) -> None:
        """Let go; may be called twice."""
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def __del__(self) -> None:
        self.close()


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
