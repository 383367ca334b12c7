"""A sheet in the room: free convection and radiation from both faces of a hot horizontal sheet.

Free convection by the correlations of W.H. McAdams, Heat Transmission, 3rd ed. 1954, through the package `ht`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal.constants import GRAVITY_M_S2, STEFAN_BOLTZMANN_W_M2K4, ZERO_C_IN_K
from thermal.surroundings import Air, Columns, Drive, OvenAir

Array = NDArray[np.float64]

# Dry air at 1 atm: CoolProp 8.0.0, fluid 'Air' (E.W. Lemmon, R.T Jacobsen, S.G. Penoncello, D.G. Friend, J. Phys. Chem.
# Ref. Data 29 (2000) 331).
_AIR_C = [20.0, 100.0, 150.0, 200.0]
_AIR_DENSITY_KG_M3 = [1.2046, 0.9459, 0.8340, 0.7458]
_AIR_VISCOSITY_PA_S = [18.206e-6, 21.896e-6, 24.027e-6, 26.046e-6]
_AIR_CONDUCTIVITY_W_MK = [0.02587, 0.03162, 0.03500, 0.03825]
_AIR_PRANDTL = [0.708, 0.7003, 0.6982, 0.6980]

#: Faces are tabulated over this range, °C; beyond it their heat flow is continued in a straight line.
_TABLE_C = np.arange(-60.0, 341.0, 5.0)


def _air_at(face_c: float, room_c: float) -> tuple[float, float, float, float]:
    """Kinematic viscosity m2/s, conductivity W/(m K), Prandtl number and kelvin of air at the film temperature."""
    film_c = 0.5 * (face_c + room_c)
    density, viscosity, conductivity, prandtl = (
        float(np.interp(film_c, _AIR_C, values))
        for values in (_AIR_DENSITY_KG_M3, _AIR_VISCOSITY_PA_S, _AIR_CONDUCTIVITY_W_MK, _AIR_PRANDTL)
    )
    return viscosity / density, conductivity, prandtl, film_c + ZERO_C_IN_K


def _grashof(face_c: float, room_c: float, length_m: float) -> float:
    kinematic, _, _, film_k = _air_at(face_c, room_c)
    hotter = max(abs(face_c - room_c), 0.1)
    return float(GRAVITY_M_S2 * hotter * length_m**3 / (film_k * kinematic**2))


def free_convection_w_m2k(face_c: float, room_c: float, length_m: float, upward: bool) -> float:
    """Heat transfer coefficient of a horizontal face in still air, W/(m2 K).

    Args:
        face_c, room_c: °C. length_m: area over perimeter of the sheet, m. upward: a face looking up.

    A face colder than the room is taken as the mirror image (cold face down behaves as hot face up).
    """
    from ht import Nu_horizontal_plate_McAdams

    _, conductivity, prandtl, _ = _air_at(face_c, room_c)
    grashof = _grashof(face_c, room_c, length_m)
    assisted = upward == (face_c >= room_c)
    return float(Nu_horizontal_plate_McAdams(Pr=prandtl, Gr=grashof, buoyancy=assisted)) * conductivity / length_m


def vertical_convection_w_m2k(face_c: float, room_c: float, height_m: float) -> float:
    """Heat transfer coefficient of an upright face of a height, m, in still air, W/(m2 K).

    S.W. Churchill, H.H.S. Chu, Int. J. Heat Mass Transfer 18 (1975) 1323, through the package `ht`.
    """
    from ht import Nu_vertical_plate_Churchill

    _, conductivity, prandtl, _ = _air_at(face_c, room_c)
    grashof = _grashof(face_c, room_c, height_m)
    return float(Nu_vertical_plate_Churchill(Pr=prandtl, Gr=grashof)) * conductivity / height_m


def draught_w_m2k(face_c: float, room_c: float, along_m: float, speed_m_s: float) -> float:
    """Heat transfer coefficient of air that moves along a face of a length, m, at a speed, m/s, W/(m2 K).

    Mean over a flat plate, laminar below a Reynolds number of 5e5, 0.664 Re^(1/2) Pr^(1/3), turbulent beyond: through
    the package `ht` (H.D. Baehr; H. Schlichting).
    """
    if speed_m_s <= 0.0:
        return 0.0
    from ht.conv_external import Nu_external_horizontal_plate

    kinematic, conductivity, prandtl, _ = _air_at(face_c, room_c)
    nusselt = Nu_external_horizontal_plate(Re=speed_m_s * along_m / kinematic, Pr=prandtl)
    return float(nusselt) * conductivity / along_m


def mixed_w_m2k(free: float, forced: float) -> float:
    """Free and forced convection together: Nu3 = Nu_free3 + Nu_forced3 (Incropera et al., sec. 9.9, recalled)."""
    return float(np.cbrt(free**3 + forced**3))


@dataclass(frozen=True)
class RoomFaces:
    """Heat flow into both faces tabulated over the face temperature.

    Attributes:
        air: steady; kept only because every surrounding has one.
        flux_w_m2: at the table's temperatures, (2, points, batch), or (2, points, 1) for a batch that shares one room.
    """

    air: Air
    flux_w_m2: Array

    def flux(self, drive: Drive, face_c: Array) -> Array:
        """See `Surroundings.flux`."""
        return np.stack([self._at(side, face_c[side]) for side in (0, 1)])

    def _at(self, side: int, face_c: Array) -> Array:
        at, (low, high) = self._around(side, face_c)
        result: Array = low + (high - low) * (face_c - _TABLE_C[at]) / 5.0
        return result

    def _around(self, side: int, face_c: Array) -> tuple[Columns, tuple[Array, Array]]:
        """The table's place below each face's temperature, and the heat flows there and at the next."""
        table = self.flux_w_m2[side]
        at = np.clip(((face_c - _TABLE_C[0]) / 5.0).astype(np.intp), 0, len(_TABLE_C) - 2)
        room = np.arange(table.shape[1])
        return at, (table[at, room], table[at + 1, room])

    def slopes(self, drive: Drive, face_c: Array) -> tuple[Array, Array]:
        """See `Surroundings.slopes`."""
        around = [self._around(side, face_c[side])[1] for side in (0, 1)]
        by_face = np.stack([(high - low) / 5.0 for low, high in around])
        return by_face, np.zeros_like(by_face)

    def columns(self, keep: Columns) -> RoomFaces:
        """See `Surroundings.columns`."""
        shared = self.flux_w_m2.shape[2] == 1
        return RoomFaces(self.air.columns(keep), self.flux_w_m2 if shared else self.flux_w_m2[..., keep])


@dataclass(frozen=True)
class Room:
    """Where a sheet is carried.

    Attributes:
        air_c: of the air, and of the walls, °C. draught_m_s: speed of the air along the sheet. mold_c: of a mold that
        the lower face hangs over, °C; None: there is none.
    """

    air_c: float
    draught_m_s: float = 0.0
    mold_c: float | None = None


#: Share of what the lower face sees that a mold below it fills (estimated: a limb under a sheet twice as wide).
MOLD_VIEW = 0.5


def room_faces(room: float | Room, length_m: float, emissivity: float, batch: int = 1) -> RoomFaces:
    """Both faces of a sheet held level in a room whose walls have the air's temperature.

    Args:
        room: °C of a still one, or a `Room`. length_m: area over perimeter, m. emissivity: of the sheet.
    """
    within = room if isinstance(room, Room) else Room(room)
    sky = _radiation(emissivity, within.air_c)
    below = sky
    if within.mold_c is not None:
        # The mold fills part of the view, black: plaster emits 0.9 to 0.95 (recalled), and what it reflects of the
        # sheet's own radiation would only lengthen the carry. The rest of the view is the room.
        below = (1.0 - MOLD_VIEW) * sky + MOLD_VIEW * _radiation(emissivity, within.mold_c)
    convection = np.array(
        [
            [
                mixed_w_m2k(
                    free_convection_w_m2k(t, within.air_c, length_m, upward),
                    draught_w_m2k(t, within.air_c, 4.0 * length_m, within.draught_m_s),
                )
                * (within.air_c - t)
                for t in _TABLE_C
            ]
            for upward in (True, False)
        ]
    )
    steady, none = np.full(batch, within.air_c), np.zeros(batch)
    flux = convection + np.stack([sky, below])
    return RoomFaces(OvenAir(steady, steady, none, none, none, ()), flux[..., None])


def rooms_faces(rooms: Sequence[Room], length_m: float, emissivity: float) -> RoomFaces:
    """The same of one sheet in each of several rooms, a batch."""
    air_c, none = np.array([room.air_c for room in rooms]), np.zeros(len(rooms))
    flux = [room_faces(room, length_m, emissivity).flux_w_m2 for room in rooms]
    return RoomFaces(OvenAir(air_c, air_c, none, none, none, ()), np.concatenate(flux, axis=2))


def _radiation(emissivity: float, surroundings_c: float) -> Array:
    """Into a face at the table's temperatures, W/m2."""
    result: Array = (
        emissivity * STEFAN_BOLTZMANN_W_M2K4 * ((surroundings_c + ZERO_C_IN_K) ** 4 - (_TABLE_C + ZERO_C_IN_K) ** 4)
    )
    return result


def upright_flux_w_m2(room_c: float, height_m: float, emissivity: float) -> tuple[Array, Array]:
    """Into an upright face in a still room: temperatures, °C, and W/m2 there, (points,) each; straight in between."""
    convection = np.array([vertical_convection_w_m2k(t, room_c, height_m) * (room_c - t) for t in _TABLE_C])
    return _TABLE_C, convection + _radiation(emissivity, room_c)
