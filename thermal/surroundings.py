"""What a sheet's two faces exchange heat with: an oven's air, walls and emitters, or a room.

Arrays over both faces have shape (2, batch), upper face first; arrays of one value per parameter set (batch,).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from thermal.constants import STEFAN_BOLTZMANN_W_M2K4, ZERO_C_IN_K

Array = NDArray[np.float64]
Columns = NDArray[np.intp]


class Drive(NamedTuple):
    """Surroundings at each column's own time, and how fast they change.

    Attributes:
        air: °C, (2, batch) or what broadcasts to it. wall_k4: walls, K4, (batch,).
        air_rate, wall_k4_rate: the same per second.
    """

    air: Array
    wall_k4: Array
    air_rate: Array
    wall_k4_rate: Array


class Air(Protocol):
    """Air and wall temperatures in time."""

    def drive(self, time_s: Array, before: bool = False) -> Drive:
        """Values at `time_s` (batch,); `before` takes the limit from below where the air or its slope jumps."""

    @property
    def jumps(self) -> bool:
        """Whether the air itself, not only its slope, jumps at some break."""

    def next_break_s(self, time_s: Array) -> Array | None:
        """The next time after `time_s` at which the air or its slope jumps, (batch,); None: it never does."""

    def columns(self, keep: Columns) -> Self:
        """The same for some columns of the batch."""


@dataclass(frozen=True)
class OvenAir:
    """The small oven model: at each door opening the air falls at once by `drop_k` and recovers exponentially,
    and the walls follow the air's departure from its steady value with a first-order lag:

        air(t) = air + d(t),   d(t) = -sum_j drop exp(-(t - t_j)/recovery)
        wall(t) = wall + w(t),   dw/dt = (d - w)/lag,   w = 0 before the first opening

    a first-order (lumped) description of air and wall; common engineering form, no source beyond that.

    Attributes:
        air_c, wall_c: steady temperatures, °C, (batch,).
        drop_k, recovery_s, lag_s: (batch,); zero recovery or drop: the air never falls.
        openings_s: times at which the door was opened, common to the batch.
    """

    air_c: Array
    wall_c: Array
    drop_k: Array
    recovery_s: Array
    lag_s: Array
    openings_s: tuple[float, ...] = (0.0,)
    _rate: Array = field(init=False, repr=False)
    _part: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        tiny = 1e-3
        recovery = np.maximum(self.recovery_s, tiny)
        lag = np.maximum(self.lag_s, tiny)
        # The two exponentials' difference is 0/0 where both times agree; a part in 1e5 moves no wall by 1e-3 K.
        lag = np.where(np.abs(lag - recovery) < 1e-5 * recovery, recovery * (1.0 + 1e-5), lag)
        fall = np.where(self.recovery_s > tiny, self.drop_k, 0.0)
        gain = fall * recovery / (recovery - lag)
        # Departures of air and wall, and their rates, as sums of the two exponentials: (2 exponentials, 4, batch).
        rate = np.stack([-1.0 / recovery, -1.0 / lag])[:, None]
        part = np.stack([np.stack([-fall, -gain]), np.stack([0.0 * fall, gain])])
        object.__setattr__(self, "_rate", rate)
        object.__setattr__(self, "_part", np.concatenate([part, part * rate], axis=1))

    def drive(self, time_s: Array, before: bool = False) -> Drive:
        """See `Air.drive`."""
        total: Array = np.zeros((4, len(time_s)))
        for opening in self.openings_s:
            since = time_s - opening
            decay = np.exp(np.maximum(since, 0.0) * self._rate)
            if opening > 0.0:
                decay *= since > 0.0 if before else since >= 0.0
            decay = self._part * decay
            total += decay[0]
            total += decay[1]
        wall_k = total[1] + self.wall_c
        wall_k += ZERO_C_IN_K
        cube = wall_k * wall_k
        cube *= wall_k
        return Drive(total[:1] + self.air_c, cube * wall_k, total[2:3], 4.0 * cube * total[3])

    @property
    def jumps(self) -> bool:
        """See `Air.jumps`."""
        return any(opening > 0.0 for opening in self.openings_s)

    def next_break_s(self, time_s: Array) -> Array | None:
        """See `Air.next_break_s`."""
        if not self.jumps:
            return None
        later = np.full_like(time_s, np.inf)
        for opening in self.openings_s:
            later = np.where(time_s < opening, np.minimum(later, opening), later)
        return later

    def columns(self, keep: Columns) -> OvenAir:
        """See `Air.columns`."""
        names = ("air_c", "wall_c", "drop_k", "recovery_s", "lag_s")
        return replace(self, **{n: getattr(self, n)[keep] for n in names})


@dataclass(frozen=True)
class SeriesAir:
    """Air and wall given as series, linear between the times and constant before and after.

    Attributes:
        time_s: strictly increasing, s, (times,).
        air_c: °C, (times, 2, batch or 1), upper face first.
        wall_c: °C, (times, batch).
    """

    time_s: Array
    air_c: Array
    wall_c: Array

    def drive(self, time_s: Array, before: bool = False) -> Drive:
        """See `Air.drive`."""
        if np.all(time_s == time_s[0]):
            time_s = time_s[:1]  # the rule: columns meet at every time of the series
        at = np.searchsorted(self.time_s, time_s, "left" if before else "right") - 1
        inside = (at >= 0) & (at < len(self.time_s) - 1)
        at = np.minimum(np.maximum(at, 0), len(self.time_s) - 2)
        start = self.time_s[at]
        step = self.time_s[at + 1] - start
        part = np.minimum(np.maximum((time_s - start) / step, 0.0), 1.0)
        low, rise = self._between(at)
        now = part * rise
        now += low
        rise *= inside / step
        wall_k = now[2] + ZERO_C_IN_K
        cube = wall_k * wall_k
        cube *= wall_k
        return Drive(now[:2], cube * wall_k, rise[:2], 4.0 * cube * rise[2])

    def _between(self, at: Columns) -> tuple[Array, Array]:
        """Air of both faces and walls at the times `at`, and their rise to the times after them, (3, batch)."""
        whole, first = self._whole, int(at[0])
        if np.all(at == first):
            return whole[first], whole[first + 1] - whole[first]
        size = whole[0].size
        place = at * size + np.arange(size).reshape(whole[0].shape)
        low = whole.take(place)
        rise = whole.take(place + size)
        rise -= low
        return low, rise

    @cached_property
    def _whole(self) -> Array:
        """Air of both faces and walls, (times, 3, batch)."""
        times, batch = self.wall_c.shape
        return np.concatenate([np.broadcast_to(self.air_c, (times, 2, batch)), self.wall_c[:, None]], axis=1)

    @cached_property
    def _breaks_s(self) -> Array:
        return np.append(self.time_s, np.inf)

    @property
    def jumps(self) -> bool:
        """See `Air.jumps`."""
        return False

    def next_break_s(self, time_s: Array) -> Array | None:
        """See `Air.next_break_s`."""
        following = np.searchsorted(self.time_s, time_s, "right")
        result: Array = self._breaks_s[following]
        return result

    def columns(self, keep: Columns) -> SeriesAir:
        """See `Air.columns`."""
        air = self.air_c if self.air_c.shape[2] == 1 else self.air_c[:, :, keep]
        return SeriesAir(self.time_s, air, self.wall_c[:, keep])


def lagged_wall_c(time_s: Array, air_c: Array, lag_s: Array, offset_k: Array) -> Array:
    """Walls that follow a measured air with a first-order lag: dTw/dt = (air + offset - Tw)/lag, exact for air
    linear between the times; the walls start in balance with the first air reading.

    Args:
        time_s: (times,), s. air_c: (times,) or (times, batch), °C. lag_s: (batch,), s. offset_k: (batch,), K.

    Returns:
        (times, batch), °C.
    """
    air = air_c if air_c.ndim == 2 else air_c[:, None]
    lag = np.maximum(lag_s, 1e-3)
    step = np.diff(time_s)[:, None]
    decay = np.exp(-step / lag)
    # A wall that follows a ramp is behind it by slope*lag in the end; what it is behind otherwise decays.
    behind = np.diff(air, axis=0) / step * lag
    behind *= decay - 1.0
    above = np.zeros((len(time_s), len(lag)))
    for i in range(len(step)):
        np.multiply(above[i], decay[i], out=above[i + 1])
        above[i + 1] += behind[i]
    above += air
    above += offset_k
    return above


class Surroundings(Protocol):
    """Heat flow into each face, given the face's temperature."""

    @property
    def air(self) -> Air:
        """Air and walls in time."""

    def flux(self, drive: Drive, face_c: Array) -> Array:
        """Heat flow into the faces, W/m2, (2, batch), at face temperatures `face_c`, °C, (2, batch)."""

    def slopes(self, drive: Drive, face_c: Array) -> tuple[Array, Array]:
        """d(flux)/d(face temperature), W/(m2 K), and d(flux)/dt, W/(m2 s), each (2, batch)."""

    def columns(self, keep: Columns) -> Self:
        """The same for some columns of the batch."""


@dataclass(frozen=True)
class OvenFaces:
    """Convection and grey-body radiation in an oven:

        q = h (T_air + offset - T) + emitter + wall_gain sigma T_wall4 - loss sigma T4        (kelvin in the powers)

    The usual linear law of convection and the exchange of a grey face with large surroundings (Incropera et al.,
    Fundamentals of Heat and Mass Transfer, 6th ed., eqs. 1.3a and 1.7).

    Attributes (2, batch):
        h_w_m2k, air_offset_k; loss: effective emissivity of the face; wall_gain: the part of it that sees the walls;
        emitter_w_m2: absorbed at the face from emitters.
    """

    air: Air
    h_w_m2k: Array
    air_offset_k: Array
    loss: Array
    wall_gain: Array
    emitter_w_m2: Array

    def flux(self, drive: Drive, face_c: Array) -> Array:
        """See `Surroundings.flux`."""
        kelvin = face_c + ZERO_C_IN_K
        kelvin *= kelvin
        kelvin *= kelvin
        kelvin *= self.loss
        gain = self.wall_gain * drive.wall_k4
        gain -= kelvin
        gain *= STEFAN_BOLTZMANN_W_M2K4
        gain += self.emitter_w_m2
        convection = drive.air + self.air_offset_k
        convection -= face_c
        convection *= self.h_w_m2k
        gain += convection
        return gain

    def slopes(self, drive: Drive, face_c: Array) -> tuple[Array, Array]:
        """See `Surroundings.slopes`."""
        kelvin = face_c + ZERO_C_IN_K
        by_face = kelvin * kelvin
        by_face *= kelvin
        by_face *= self.loss
        by_face *= -4.0 * STEFAN_BOLTZMANN_W_M2K4
        by_face -= self.h_w_m2k
        by_time = self.wall_gain * drive.wall_k4_rate
        by_time *= STEFAN_BOLTZMANN_W_M2K4
        by_time += self.h_w_m2k * drive.air_rate
        return by_face, by_time

    def columns(self, keep: Columns) -> OvenFaces:
        """See `Surroundings.columns`."""
        names = ("h_w_m2k", "air_offset_k", "loss", "wall_gain", "emitter_w_m2")
        return OvenFaces(self.air.columns(keep), *(np.ascontiguousarray(getattr(self, n)[:, keep]) for n in names))
