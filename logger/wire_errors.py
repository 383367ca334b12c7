"""What can go wrong with a port. The text of each is a sentence for the person at the oven: what, and what to do."""

from __future__ import annotations


class WireError(Exception):
    """A port that cannot be used; `text` is the sentence."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.text = text


class TransportLost(WireError):
    """A connection that was open is gone: cable, power, or the other end hung up."""


class PortBusy(WireError):
    """Another program holds the port."""


class NoSuchPort(WireError):
    """The port is not there, nobody answers at the address, or this user may not open it."""
