"""What is written is on the disk itself, whatever happens to the power: files, and the names in folders."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path


def sync(descriptor: int) -> None:
    """Have the system write a file to the disk, and the disk to what lasts.

    On macOS fsync leaves it in the disk's own memory (Apple's manual page of fsync); a request of its own does not.
    """
    if sys.platform == "darwin":
        import fcntl

        with suppress(OSError):  # shares of other machines know no such request
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder written to the disk; Windows does that by itself."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def make_folder(folder: Path) -> None:
    """Make a folder with those above it; there when this returns, whatever happens to the power."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for one in missing:
        sync_folder(one.parent)
