"""What to take for a mold, as one JSON object: units in the keys, null for what is not."""

from __future__ import annotations

from typing import Any

import numpy as np

from dashboard.making import Making, gauge_of
from dashboard.making_words import against, cautions, headline, line_rows, sector_names, warnings
from dashboard.units import Units
from logger.mesh_shape import Shape
from thermal.method import Bubble, Drape
from thermal.mold import Mold, meridian
from thermal.mold_cooling import STANDING_S, Cooling
from thermal.wall import Place, Wall


def choose_json(made: Making, units: Units, notes: list[str]) -> dict[str, Any]:
    """The whole answer; words in the units asked for, numbers in metric ones."""
    choice = made.choice
    gauge = gauge_of(choice)
    return {
        "method": choice.method,
        "polymer": choice.polymer.id,
        "gauge_mm": _mm(gauge),
        "wanted_wall_mm": _mm(choice.wanted_m),
        "words": list(headline(made, units)),
        "mold": _mold(made),
        "bubble": None if choice.bubble is None else _bubble(choice.bubble),
        "drape": None if choice.drape is None else _drape(choice.drape),
        "sectors": _sectors(made),
        "against": against(made, units),
        "cooling": None if made.cooling is None else _cooling(made.cooling),
        "heat": _heat(made),
        "line": [list(row) for row in line_rows(made, units)],
        "warnings": warnings(made, units),
        "cautions": cautions(),
        "notes": [*made.mold.notes, *notes],
    }


def _sectors(made: Making) -> list[dict[str, Any]]:
    """The wall of each sector of a mesh, and where the sector lies in the mesh's own axes."""
    if not made.sectors or made.mold.shape is None:
        return []
    shape, names = made.mold.shape, sector_names(made)
    return [
        {"sector": name, "towards": [round(part, 6) for part in towards], **_wall(one)}
        for name, towards, one in zip(names, shape.towards, made.sectors, strict=True)
    ]


def _mm(value_m: float | None) -> float | None:
    return None if value_m is None else round(value_m * 1e3, 3)


def _mms(values: Any) -> list[float]:
    return [round(float(value) * 1e3, 3) for value in values]


def _mold(made: Making) -> dict[str, Any]:
    mold: Mold = made.choice.mold
    outline = meridian(mold)
    level, girth = mold.widest
    return {
        "name": made.mold.name,
        "level_mm": _mms(mold.level_m),
        "girth_mm": _mms(mold.girth_m),
        "distal": mold.distal,
        "length_mm": _mm(mold.length_m),
        "widest_girth_mm": _mm(girth),
        "widest_level_mm": _mm(level),
        "area_cm2": round(float(outline.areas_m2.sum()) * 1e4, 1),
        "volume_cm3": round(outline.volume_m3 * 1e6, 1),
        "mesh": None if made.mold.shape is None else _mesh(made.mold.shape),
    }


def _mesh(shape: Shape) -> dict[str, Any]:
    return {
        "triangles": shape.triangles,
        "area_cm2": round(shape.area_m2 * 1e4, 1),
        "volume_cm3": round(shape.volume_m3 * 1e6, 1),
        "axis": [round(part, 6) for part in shape.axis],
        "open_end": shape.open_end,
        "holes": [{"length_mm": _mm(hole.length_m), "level_mm": _mm(hole.level_m)} for hole in shape.holes],
        "bad_edges": shape.bad_edges,
        "turned_edges": shape.turned,
        "pieces": shape.pieces,
        "sound": shape.sound,
        "sector_radius_mm": [
            [None if value != value else _mm(value) for value in row] for row in shape.sector_m.tolist()
        ],
    }


def _bubble(bubble: Bubble) -> dict[str, Any]:
    return {
        "opening_mm": _mms(bubble.opening_m),
        "blank_mm": _mms(bubble.blank_m),
        "gauge_mm": _mm(bubble.gauge_m),
        "drop_mm": _mm(bubble.drop_m),
        "room_mm": _mm(bubble.room_m),
        "wall": _wall(bubble.wall),
    }


def _wall(found: Wall) -> dict[str, Any]:
    return {
        "places": [_place(place) for place in found.places],
        "thinnest": _place(found.thinnest),
        "mean_mm": _mm(found.mean_m),
        "stretch": round(found.stretch, 3),
        "folds_cm2": round(found.folds_m2 * 1e4, 2),
        "volume_error": found.volume_error,
        "curve": {
            "level_mm": _mms(found.level_m),
            "radius_mm": _mms(found.radius_m),
            "wall_mm": _mms(found.wall_m),
            "p05_mm": _mms(found.interval_m[0]),
            "p95_mm": _mms(found.interval_m[1]),
        },
    }


def _place(place: Place) -> dict[str, Any]:
    return {
        "level_mm": _mm(place.level_m),
        "wall_mm": _mm(place.wall_m),
        "interval_mm": _mms(place.interval_m),
    }


def _drape(drape: Drape) -> dict[str, Any]:
    blank = drape.blank
    return {
        "gauge_mm": _mm(drape.gauge_m),
        "wall_mm": _mm(drape.wall_m[1]),
        "interval_mm": [_mm(drape.wall_m[0]), _mm(drape.wall_m[2])],
        "length_mm": _mm(blank.length_m),
        "breadth_mm": _mm(blank.breadth_m),
        "seam_mm": _mm(blank.seam_m),
        "overhang_mm": _mm(blank.overhang_m),
        "pattern": {"along_mm": _mms(blank.along_m), "width_mm": _mms(blank.width_m)},
    }


def _cooling(cooling: Cooling) -> dict[str, Any]:
    of = cooling.of
    every = slice(None, None, 4)
    return {
        "wall_mm": _mm(of.wall_m),
        "start_c": round(of.start_c, 1),
        "mold_c": of.mold_c,
        "room_c": of.room_c,
        "demold_c": of.polymer.forming.demold_c,
        "core_below_demold_s": None if cooling.strip_s is None else round(cooling.strip_s, 1),
        "interval_s": [None if t is None else round(t, 1) for t in cooling.interval_s],
        "standing_instruction_s": STANDING_S,
        "shortening_is_advised": False,
        "curve": {
            "time_s": np.round(cooling.time_s[every], 1).tolist(),
            "outer_c": np.round(cooling.outer_c[every], 2).tolist(),
            "core_c": np.round(cooling.core_c[every], 2).tolist(),
            "inner_c": np.round(cooling.inner_c[every], 2).tolist(),
            "mold_c": np.round(cooling.mold_c[every], 2).tolist(),
        },
    }


def _heat(made: Making) -> dict[str, Any] | None:
    """The plan's own object, where an oven was named."""
    if made.plan is None:
        return None
    from dashboard.commands.plan_json import plan_json

    return plan_json(made.plan, room_c=made.on_mold.room_c)
