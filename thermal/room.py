"""A sheet in the room: free convection and radiation from both faces of a hot horizontal sheet.

Free convection by the correlations of W.H. McAdams, Heat Transmission, 3rd ed. 1954, through the package `ht`.
"""

from __future__ import annotations

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


def free_convection_w_m2k(face_c: float, room_c: float, length_m: float, upward: bool) -> float:
    """Heat transfer coefficient of a horizontal face in still air, W/(m2 K).

    Args:
        face_c, room_c: °C. length_m: area over perimeter of the sheet, m. upward: a face looking up.

    A face colder than the room is taken as the mirror image (cold face down behaves as hot face up).
    """
    from ht import Nu_horizontal_plate_McAdams

    film_c = 0.5 * (face_c + room_c)
    density, viscosity, conductivity, prandtl = (
        float(np.interp(film_c, _AIR_C, values))
        for values in (_AIR_DENSITY_KG_M3, _AIR_VISCOSITY_PA_S, _AIR_CONDUCTIVITY_W_MK, _AIR_PRANDTL)
    )
    kinematic = viscosity / density
    hotter = max(abs(face_c - room_c), 0.1)
    grashof = GRAVITY_M_S2 * hotter * length_m**3 / ((film_c + ZERO_C_IN_K) * kinematic**2)
    assisted = upward == (face_c >= room_c)
    return float(Nu_horizontal_plate_McAdams(Pr=prandtl, Gr=grashof, buoyancy=assisted)) * conductivity / length_m


@dataclass(frozen=True)
class RoomFaces:
    """Heat flow into both faces tabulated over the face temperature, for a batch that shares one room.

    Attributes:
        air: steady; kept only because every surrounding has one. flux_w_m2: at the table's temperatures, (2, points).
    """

    air: Air
    flux_w_m2: Array

    def flux(self, drive: Drive, face_c: Array) -> Array:
        """See `Surroundings.flux`."""
        return np.stack([self._at(side, face_c[side]) for side in (0, 1)])

    def _at(self, side: int, face_c: Array) -> Array:
        table = self.flux_w_m2[side]
        at = np.clip(((face_c - _TABLE_C[0]) / 5.0).astype(int), 0, len(_TABLE_C) - 2)
        result: Array = table[at] + (table[at + 1] - table[at]) * (face_c - _TABLE_C[at]) / 5.0
        return result

    def slopes(self, drive: Drive, face_c: Array) -> tuple[Array, Array]:
        """See `Surroundings.slopes`."""
        at = np.clip(((face_c - _TABLE_C[0]) / 5.0).astype(int), 0, len(_TABLE_C) - 2)
        by_face = np.stack([(self.flux_w_m2[i][at[i] + 1] - self.flux_w_m2[i][at[i]]) / 5.0 for i in (0, 1)])
        return by_face, np.zeros_like(by_face)

    def columns(self, keep: Columns) -> RoomFaces:
        """See `Surroundings.columns`."""
        return RoomFaces(self.air.columns(keep), self.flux_w_m2)


def room_faces(room_c: float, length_m: float, emissivity: float, batch: int = 1) -> RoomFaces:
    """Both faces of a sheet held level in a still room whose walls have the air's temperature.

    Args:
        room_c: °C. length_m: area over perimeter, m. emissivity: of the sheet.
    """
    kelvin = _TABLE_C + ZERO_C_IN_K
    radiation = emissivity * STEFAN_BOLTZMANN_W_M2K4 * ((room_c + ZERO_C_IN_K) ** 4 - kelvin**4)
    convection = np.array(
        [
            [free_convection_w_m2k(t, room_c, length_m, upward) * (room_c - t) for t in _TABLE_C]
            for upward in (True, False)
        ]
    )
    steady, none = np.full(batch, room_c), np.zeros(batch)
    return RoomFaces(OvenAir(steady, steady, none, none, none, ()), convection + radiation)
