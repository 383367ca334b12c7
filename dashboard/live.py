"""What a bench went through while somebody looked at it: states, samples, faults and marks, for screens and JSON."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from logger.reading import Fault, Frame, Link, State
from logger.readings import BenchArrival, BenchReader, Reading

#: Samples kept for JSON, one a second of the bench's clock: an hour.
_KEPT = 3600
_LINKS_KEPT = 200


@dataclass
class Change:
    """A state that a role took on, or a doubt of its value that came or went; when, s from the start of the looking."""

    time_s: float
    state: State
    text: str


@dataclass
class LiveRecord:
    """Collects what arrives.

    Args:
        reader: of the bench. start_s: of the clock, where time 0 is.
    """

    reader: BenchReader
    start_s: float
    changes: dict[str, list[Change]] = field(default_factory=dict)
    links: list[dict[str, Any]] = field(default_factory=list)
    marks: list[dict[str, Any]] = field(default_factory=list)
    samples: deque[tuple[float, dict[str, float | None]]] = field(default_factory=lambda: deque(maxlen=_KEPT))
    end_s: float = 0.0

    def take(self, arrivals: Iterable[BenchArrival]) -> None:
        """Note what came."""
        for arrival in arrivals:
            time_s = arrival.monotonic_s - self.start_s
            match arrival.what:
                case Link(state, text):
                    self.links.append(
                        {"time_s": _s(time_s), "source": arrival.source, "state": str(state), "text": text}
                    )
                    del self.links[:-_LINKS_KEPT]
                case Frame(button=button) if button:
                    self.marks.append({"time_s": _s(time_s), "name": button, "source": arrival.source})
            for reading in arrival.readings:
                self._note(time_s, reading)

    def told(self, time_s: float, name: str) -> None:
        """Note a mark that was made at this program, not at the bench."""
        self.marks.append({"time_s": _s(time_s), "name": name, "source": "here"})

    def sample(self, time_s: float) -> dict[str, Reading]:
        """Keep every role as it stands at this time; and give them."""
        now = self.reader.now()
        self.end_s = time_s
        for reading in now.values():
            self._note(time_s, reading)
        self.samples.append((_s(time_s), {name: reading.value for name, reading in now.items()}))
        return now

    def finish(self, time_s: float) -> None:
        """The looking ends at this time, less than a second after the last sample where there is one."""
        if self.samples:
            self.end_s = time_s
        else:
            self.sample(time_s)

    def _note(self, time_s: float, reading: Reading) -> None:
        seen = self.changes.setdefault(reading.role, [])
        if not seen and reading.state is State.MISSING:
            return  # nothing has come yet: a beginning, not a change
        if not seen or (seen[-1].state, bool(seen[-1].text)) != (reading.state, bool(reading.text)):
            seen.append(Change(_s(time_s), reading.state, reading.text))

    def last_fault(self, source: str) -> Fault | None:
        """The latest fault of a source."""
        return self.reader.last_fault.get(source)

    def as_json(self) -> dict[str, Any]:
        """One object, units in the keys."""
        bench = self.reader.bench
        return {
            "bench": bench.id,
            "oven": bench.oven,
            "duration_s": _s(self.end_s),
            "roles": {name: self._role_json(reading) for name, reading in self.reader.now().items()},
            "links": self.links,
            "frames": dict(self.reader.frames),
            "faults": {
                entry.id: {str(k): n for (source, k), n in sorted(self.reader.faults.items()) if source == entry.id}
                for entry in bench.sources
            },
            "marks": self.marks,
            "samples": {
                "time_s": [time_s for time_s, _ in self.samples],
                **{role.column: [_value(values[role.name]) for _, values in self.samples] for role in bench.roles},
            },
            "notes": list(self.reader.notes),
        }

    def _role_json(self, reading: Reading) -> dict[str, Any]:
        column = next(role.column for role in self.reader.bench.roles if role.name == reading.role)
        return {
            f"value_{column.rpartition('_')[2]}": _value(reading.value),
            "state": str(reading.state),
            "text": reading.text,
            "channel": reading.source_text,
            "states": [
                {"time_s": one.time_s, "state": str(one.state), "text": one.text}
                for one in self.changes.get(reading.role, [])
            ],
        }


def _s(time_s: float) -> float:
    return round(time_s, 2)


def _value(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
