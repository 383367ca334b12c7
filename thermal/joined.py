"""Several batches of heating problems as one: a march costs by its steps far more than by its columns.

Each column is heated as in its own batch, with steps of its own. What only some batches have (a layer, absorption in
depth) the columns of the others get as nothing: no layer, no power; materials of fewer knots get knots that no
enthalpy reaches.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermal.absorption import Absorption
from thermal.enthalpy import Material
from thermal.sag import Melt, Sag
from thermal.slab import Lump, Slab
from thermal.surroundings import Air, OvenAir, OvenFaces, SeriesAir, Surroundings

Array = NDArray[np.float64]


def joined(slabs: Sequence[Slab]) -> Slab:
    """All columns of all slabs, in their order.

    Raises:
        ValueError: some sag and some do not; a start that is a profile; other surroundings than an oven's; airs of
        different kinds, recorded at different times or with different openings of the door.
    """
    if any(one.start_c.ndim > 1 for one in slabs):
        raise ValueError("sheets that start with a profile cannot be joined")
    batches = [one.batch for one in slabs]
    upper, lower = ([one.lumps[side] for one in slabs] for side in (0, 1))
    return Slab(
        material=_material([one.material for one in slabs]),
        mass_kg_m2=np.concatenate([one.mass_kg_m2 for one in slabs]),
        start_c=np.concatenate([one.start_c for one in slabs]),
        surroundings=_faces([one.surroundings for one in slabs]),
        lumps=(_layer(upper, batches), _layer(lower, batches)),
        absorption=_absorption([one.absorption for one in slabs], batches),
        sag=_sag([one.sag for one in slabs]),
    )


def _side_by_side(of: Sequence[Any], names: Sequence[str]) -> dict[str, Array]:
    """Attributes of several, their columns one after the other."""
    return {name: np.concatenate([getattr(one, name) for one in of], axis=-1) for name in names}


def _material(several: Sequence[Material]) -> Material:
    segments = max(len(one.h) for one in several)
    # A knot at infinity is never reached: what stands in its segment does not count.
    never = ("knot_h", "t")

    def padded(one: Material, name: str) -> Array:
        values: Array = getattr(one, name)
        return np.pad(
            values, ((0, segments - len(one.h)), (0, 0)), constant_values=np.inf if name in never else 1.0
        )  # fmt: skip

    return Material(
        **{name: np.concatenate([padded(one, name) for one in several], axis=1) for name in Material.__annotations__}
    )


def _layer(layers: Sequence[Lump | None], batches: Sequence[int]) -> Lump | None:
    if all(one is None for one in layers):
        return None
    there = [Lump.none(n) if one is None else one for one, n in zip(layers, batches, strict=True)]
    return Lump(**_side_by_side(there, tuple(Lump.__annotations__)))


def _absorption(several: Sequence[Absorption | None], batches: Sequence[int]) -> Absorption | None:
    bands = max((len(one.depth) for one in several if one is not None), default=0)
    if not bands:
        return None
    parts = []
    for one, n in zip(several, batches, strict=True):
        known = Absorption(np.zeros((2, n)), np.zeros((0, n)), np.ones((0, n))) if one is None else one
        more = ((0, bands - len(known.depth)), (0, 0))
        fraction, depth = np.pad(known.fraction, more), np.pad(known.depth, more, constant_values=1.0)
        parts.append(Absorption(known.entering_w_m2, fraction, depth))
    return Absorption(**_side_by_side(parts, tuple(Absorption.__annotations__)))


def _sag(several: Sequence[Sag | None]) -> Sag | None:
    known = [one for one in several if one is not None]
    if not known:
        return None
    if len(known) < len(several):
        raise ValueError("sheets that sag cannot be joined with sheets that lie flat")
    own = tuple(name for name in Sag.__annotations__ if name != "melt")
    melt = Melt(**_side_by_side([one.melt for one in known], tuple(Melt.__annotations__)))
    return Sag(melt=melt, **_side_by_side(known, own))


def _faces(several: Sequence[Surroundings]) -> OvenFaces:
    known = [one for one in several if isinstance(one, OvenFaces)]
    if len(known) < len(several):
        raise ValueError("only sheets in an oven can be joined")
    own = tuple(name for name in OvenFaces.__annotations__ if name != "air")
    return OvenFaces(_air([one.air for one in known]), **_side_by_side(known, own))


def _air(several: Sequence[Air]) -> Air:
    series = [one for one in several if isinstance(one, SeriesAir)]
    if len(series) == len(several):
        _same([one.time_s for one in series], np.array_equal, "air recorded at different times")
        air_c = [np.broadcast_to(one.air_c, (*one.air_c.shape[:2], one.wall_c.shape[1])) for one in series]
        walls = np.concatenate([one.wall_c for one in series], axis=1)
        return SeriesAir(series[0].time_s, np.concatenate(air_c, axis=2), walls)
    ovens = [one for one in several if isinstance(one, OvenAir)]
    if len(ovens) < len(several):
        raise ValueError("airs of different kinds cannot be joined")
    _same([one.openings_s for one in ovens], lambda one, other: bool(one == other), "doors opened at different times")
    own = _side_by_side(ovens, ("air_c", "wall_c", "drop_k", "recovery_s", "lag_s"))
    return OvenAir(**own, openings_s=ovens[0].openings_s)


def _same(values: Sequence[Any], alike: Callable[[Any, Any], bool], what: str) -> None:
    if not all(alike(values[0], other) for other in values[1:]):
        raise ValueError(f"{what} cannot be joined")
