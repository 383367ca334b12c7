"""Words typed while a live view runs: read beside it, on every system, without a pty."""

from __future__ import annotations

import os
import queue
import sys
import threading


class TypedWords:
    """Lines typed at the keyboard, as they come; none where standard input is no keyboard."""

    def __init__(self) -> None:
        self._words: queue.SimpleQueue[str] = queue.SimpleQueue()
        self.listening = sys.stdin is not None and sys.stdin.isatty()
        if self.listening:
            # A daemon that reads the descriptor itself: the buffered stdin would be locked when the program ends.
            threading.Thread(target=self._read, args=(sys.stdin.fileno(),), daemon=True).start()

    def _read(self, descriptor: int) -> None:
        while data := os.read(descriptor, 1024):
            for line in data.decode("utf-8", "replace").splitlines():
                if line.strip():
                    self._words.put(line.strip().lower())

    def take(self) -> str | None:
        """The next word, None where nothing was typed."""
        try:
            return self._words.get_nowait()
        except queue.Empty:
            return None
