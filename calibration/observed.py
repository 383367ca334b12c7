"""A heat as far as it has come: what the sensors gave and what was marked, without a file or a clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from thermal.heat import Event, Heat, Sensor, role_of, sensor_of

Array = NDArray[np.float64]

#: What the estimate uses of a heat. A core thermocouple is left out: no real part has one.
AIR = ("air_upper_c", "air_lower_c")
FACES = ("face_upper_c", "face_lower_c")
USED = (*AIR, *FACES, "wall_c", "drop_mm")


@dataclass(frozen=True)
class Observed:
    """Readings and events so far.

    Attributes:
        time_s: (n,), increasing, s since the sheet went in; negative before.
        columns: name -> (n,), NaN where there is no reading; only of the roles in `USED`.
        events: what was marked, in any order.
        sensors: by name (the column without its unit): lag, noise, bias, where stated.
    """

    time_s: Array
    columns: Mapping[str, Array]
    events: tuple[Event, ...] = ()
    sensors: Mapping[str, Sensor] = field(default_factory=dict)

    def until(self, now_s: float) -> Observed:
        """Only what was known at `now_s`."""
        n = int(np.searchsorted(self.time_s, now_s, "right"))
        return replace(
            self,
            time_s=self.time_s[:n],
            columns={name: values[:n] for name, values in self.columns.items()},
            events=tuple(event for event in self.events if event.time_s <= now_s),
        )

    def sensor(self, column: str) -> Sensor:
        """What is stated about a column's sensor."""
        return self.sensors.get(sensor_of(column), Sensor())

    def of_role(self, role: str) -> tuple[str, ...]:
        """Columns that play a role, 'face_upper_c' as well as 'face_upper_2_c'."""
        return tuple(name for name in self.columns if role_of(name) == role)

    def when(self, name: str) -> tuple[float, ...]:
        """Times at which an event was marked, s, in order."""
        return tuple(sorted(event.time_s for event in self.events if event.name == name))


def observed(heat: Heat) -> Observed:
    """What a recorded heat offers the estimate."""
    columns = {name: values for name, values in heat.columns.items() if role_of(name) in USED}
    return Observed(heat.time_s, columns, heat.events, heat.sensors)
