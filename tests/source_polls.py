"""Polling one source until something comes, and telling what came."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from logger.reading import Fault, FaultKind, Frame, Link, LinkState, Source

PATIENCE_S = 60.0  # after which a test gives up; never reached where it passes


def until(one: Source, enough: Callable[[Any], bool], wait_s: float = 0.02) -> list[Any]:
    """What polls give until something suits; a manual clock only moves as the source sleeps on it.

    Args:
        wait_s: machine time that a poll may wait for loopback or a pseudo-terminal.
    """
    found: list[Any] = []
    give_up = time.monotonic() + PATIENCE_S
    while not any(enough(what) for what in found):
        assert time.monotonic() < give_up, f"waited in vain after {found}"
        found += [arrival.what for arrival in one.poll(wait_s)]
    return found


def shortest_poll_s(one: Source, wait_s: float) -> float:
    """How long a poll takes, s: of several the shortest, for what makes one longer is other work of the computer."""

    def poll_s() -> float:
        start_s = time.perf_counter()
        one.poll(wait_s)
        return time.perf_counter() - start_s

    return min(poll_s() for _ in range(5))


def frame(what: Any) -> bool:
    return isinstance(what, Frame)


def fault(kind: FaultKind) -> Callable[[Any], bool]:
    return lambda what: isinstance(what, Fault) and what.kind is kind


def link(state: LinkState) -> Callable[[Any], bool]:
    return lambda what: isinstance(what, Link) and what.state is state


def first(found: list[Any], kind: type) -> Any:
    return next(what for what in found if isinstance(what, kind))
