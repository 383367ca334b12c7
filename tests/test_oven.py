"""Oven cards: strict reading. Each refusal is of one change to a card that is accepted."""

from __future__ import annotations

import datetime
from copy import deepcopy
from typing import Any

import pytest

from thermal.fields import InputError
from thermal.oven import Emitter, Face, Tray, Valid, oven_card_from_mapping

NAN = float("nan")


def convection() -> dict[str, Any]:
    """A card with everything a convection oven's may hold."""
    return {
        "id": "test",
        "kind": "convection",
        "set_c": 185.0,
        "air": {"offset_k": -3.0, "door_drop_k": 40.0, "recovery_s": 90},
        "wall": {"offset_k": -5.0, "lag_s": 300.0},
        "upper": {"h_w_m2k": 18.0, "emissivity_eff": 0.9},
        "lower": {"h_w_m2k": 14.0, "emissivity_eff": 0.8, "air_offset_k": -2.0},
        "tray": {"mass_kg_m2": 8.1, "heat_capacity_j_kgk": 900.0, "contact_w_m2k": 150.0, "start_c": 22.0},
        "dial": {"offset_k": 4.0},
        "uncertainty": {"order": ["upper.h_w_m2k", "air.offset_k"], "covariance": [[1.0, 0.5], [0.5, 4.0]]},
        "valid": {"set_c": [150, 210.0], "gauge_mm": [2.0, 15.0], "until": datetime.date(2027, 3, 31)},
        "evidence": {"heats": ["a", "b"]},
    }


def infrared() -> dict[str, Any]:
    """The least an infrared oven's card must hold."""
    return {
        "id": "test",
        "kind": "infrared",
        "set_c": 160.0,
        "air": {"offset_k": 0.0, "door_drop_k": 25.0, "recovery_s": 45.0},
        "wall": {"offset_k": -10.0, "lag_s": 240.0},
        "upper": {
            "h_w_m2k": 7.0,
            "emissivity_eff": 0.9,
            "emitter": {"temperature_c": 390.0, "view_factor": 0.28},
        },
        "lower": {"h_w_m2k": 6.0, "emissivity_eff": 0.9},
    }


def change(card: dict[str, Any], path: str, value: object) -> None:
    """Set (or with `...` remove) a dotted key."""
    *tables, key = path.split(".")
    for table in tables:
        card = card[table]
    if value is ...:
        del card[key]
    else:
        card[key] = value


def test_a_full_card() -> None:
    card = oven_card_from_mapping(convection(), "test.toml")
    assert (card.id, card.kind, card.set_c) == ("test", "convection", 185.0)
    assert (card.air_offset_k, card.door_drop_k, card.recovery_s) == (-3.0, 40.0, 90.0)
    assert (card.wall_offset_k, card.wall_lag_s, card.dial_offset_k) == (-5.0, 300.0, 4.0)
    assert card.upper == Face(18.0, 0.9)
    assert card.lower == Face(14.0, 0.8, air_offset_k=-2.0)
    assert card.tray == Tray(8.1, 900.0, 150.0, 22.0)
    assert card.uncertainty is not None
    assert card.uncertainty.order == ("upper.h_w_m2k", "air.offset_k")
    assert card.uncertainty.covariance == ((1.0, 0.5), (0.5, 4.0))
    assert card.valid == Valid((150.0, 210.0), (2.0, 15.0), datetime.date(2027, 3, 31))
    assert card.evidence == {"heats": ["a", "b"]}


def test_the_least_infrared_card() -> None:
    card = oven_card_from_mapping(infrared(), "test.toml")
    assert card.upper.emitter == Emitter(390.0, 0.28)
    assert card.lower.emitter is None
    assert (card.tray, card.uncertainty, card.valid, card.dial_offset_k) == (None, None, Valid(), 0.0)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("air.offset_k", -3.0),
        ("wall.lag_s", 300.0),
        ("lower.air_offset_k", -2.0),
        ("tray.contact_w_m2k", 150.0),
        ("upper.emitter.view_factor", None),
        ("set_c", None),
    ],
)
def test_coefficient_behind_a_key(key: str, value: float | None) -> None:
    assert oven_card_from_mapping(convection(), "test.toml").coefficient(key) == value


def test_the_textbook_slab() -> None:
    """Convection alone into air that never falls: what the exact series of a plane wall is for."""
    table = infrared()
    table["kind"] = "convection"
    change(table, "air.door_drop_k", 0.0)
    change(table, "air.recovery_s", 0.0)
    change(table, "upper", {"h_w_m2k": 10.0, "emissivity_eff": 0.0})
    change(table, "lower", {"h_w_m2k": 0.0, "emissivity_eff": 0.0})
    card = oven_card_from_mapping(table, "test.toml")
    assert (card.door_drop_k, card.upper.emissivity_eff, card.lower.h_w_m2k) == (0.0, 0.0, 0.0)


REFUSED: list[tuple[str, object, str]] = [
    ("upper.h_wm2k", 18.0, r"test\.toml: upper\.h_wm2k = 18\.0 is not known \(did you mean h_w_m2k"),
    ("uper", {}, r"uper = \{\} is not known \(did you mean upper"),
    ("air.wind", 1.0, r"air\.wind = 1\.0 is not known"),
    ("dial.offset_c", 1.0, r"dial\.offset_c = 1\.0 is not known \(did you mean offset_k"),
    ("valid.set", [1, 2], r"valid\.set = \[1, 2\] is not known \(did you mean set_c"),
    ("tray.mass_kg", 2.0, r"tray\.mass_kg = 2\.0 is not known \(did you mean mass_kg_m2"),
    ("uncertainty.cov", [], r"uncertainty\.cov = \[\] is not known"),
    ("upper", ..., r"test\.toml: upper is missing: expected a table"),
    ("air", ..., r"air is missing: expected a table"),
    ("wall.lag_s", ..., r"wall\.lag_s is missing: expected a number at least 0 and at most 36000 s"),
    ("id", ..., r"id is missing"),
    ("id", "", r"id = ''"),
    ("kind", "convektion", r"kind = 'convektion': expected one of convection, infrared \(did you mean convection"),
    ("set_c", 458.0, r"set_c = 458\.0: expected a number at least 20 and at most 400 °C"),
    ("set_c", NAN, r"set_c = nan: expected a number"),
    ("set_c", float("inf"), r"set_c = inf: expected a number"),
    ("set_c", "185", r"set_c = '185': expected a number"),
    ("set_c", datetime.date(2026, 1, 1), r"set_c = datetime\.date\(2026, 1, 1\): expected a number"),
    ("set_c", 10**400, r"set_c = 10+\.\.\.: expected a number"),
    ("upper", 18.0, r"upper = 18\.0: expected a table of keys; write it as \[upper\]"),
    ("upper.h_w_m2k", -18.0, r"upper\.h_w_m2k = -18\.0: expected a number at least 0 .* W/\(m2 K\)"),
    ("upper.h_w_m2k", True, r"upper\.h_w_m2k = True: expected a number"),
    ("lower.emissivity_eff", 1.2, r"lower\.emissivity_eff = 1\.2: expected a number at least 0 and at most 1"),
    ("lower.emissivity_eff", NAN, r"lower\.emissivity_eff = nan"),
    ("air.offset_k", 182.0, r"air\.offset_k = 182\.0: .*at most 150 K"),
    ("air.door_drop_k", -40.0, r"air\.door_drop_k = -40\.0: expected a number at least 0"),
    ("air.recovery_s", -1.0, r"air\.recovery_s = -1\.0: expected a number at least 0"),
    ("upper.emitter", {"temperature_c": 390.0, "view_factor": 0.3},
     r"upper\.emitter = .*: expected no emitter in a convection oven"),
    ("kind", "infrared", r"test\.toml: kind = 'infrared' without \[upper\.emitter\] or \[lower\.emitter\]"),
    ("tray.contact_w_m2k", ..., r"tray\.contact_w_m2k is missing: expected a number above 0"),
    ("tray.mass_kg_m2", 0.0, r"tray\.mass_kg_m2 = 0\.0: expected a number above 0"),
    ("tray.heat_capacity_j_kgk", 0.9, r"tray\.heat_capacity_j_kgk = 0\.9: .*at least 100 .*J/\(kg K\)"),
    ("tray.start_c", 458.0, r"tray\.start_c = 458\.0: .*at most 320 °C"),
    ("uncertainty.order", ..., r"uncertainty\.order = None: expected a list of keys of this card"),
    ("uncertainty.order", [], r"uncertainty\.order = \[\]: expected a list"),
    ("uncertainty.order", ["upper.h", "air.offset_k"], r"uncertainty\.order = .*of air\.offset_k, air\.door_drop_k"),
    ("uncertainty.order", ["air.offset_k", "air.offset_k"], r"uncertainty\.order = .*: expected each key once"),
    ("uncertainty.order", ["upper.h_w_m2k", "upper.emitter.view_factor"],
     r"uncertainty\.order = 'upper\.emitter\.view_factor': expected a key that this card has"),
    ("uncertainty.covariance", ..., r"uncertainty\.covariance = None: expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [1.0, 4.0], r"uncertainty\.covariance = .*: expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [[1.0]], r"uncertainty\.covariance = .*: expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [[1.0, 0.5], [0.5]], r"uncertainty\.covariance = .*: expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [["1", "0"], ["0", "4"]], r"uncertainty\.covariance = .*expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [[True, 0], [0, 4]], r"uncertainty\.covariance = .*expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [[1.0, NAN], [NAN, 4.0]], r"uncertainty\.covariance = .*expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [[10**400, 0], [0, 4]], r"uncertainty\.covariance = .*expected 2 rows of 2 numbers"),
    ("uncertainty.covariance", [[1.0, 0.5], [0.4, 4.0]], r"uncertainty\.covariance = .*: expected a symmetric matrix"),
    ("uncertainty.covariance", [[-1.0, 0.5], [0.5, 4.0]], r"uncertainty\.covariance = .*without negative variances"),
    # |0.5 x 1 x 2| is the most that two variances of 1 and 4 allow at a correlation of 0.5; 2.1 is beyond 1.
    ("uncertainty.covariance", [[1.0, 2.1], [2.1, 4.0]], r"uncertainty\.covariance = .*without negative variances"),
    ("valid.set_c", [210.0, 150.0], r"valid\.set_c = \[210\.0, 150\.0\]: expected the lower value first"),
    ("valid.set_c", [150.0], r"valid\.set_c = \[150\.0\]: expected a list of 2 entries"),
    ("valid.gauge_mm", [0.002, 0.0], r"valid\.gauge_mm\[1\] = 0\.0: expected a number above 0"),
    ("valid.until", "2027-03-31", r"valid\.until = '2027-03-31': expected a date such as 2027-03-31, without quotes"),
    ("valid.until", datetime.datetime(2027, 3, 31, 12), r"valid\.until = .*: expected a date such as"),
    ("evidence", "heats of March", r"evidence = 'heats of March': expected a table; write it as \[evidence\]"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "value", "message"), REFUSED)
def test_wrong_card_is_refused(path: str, value: object, message: str) -> None:
    table = convection()
    oven_card_from_mapping(deepcopy(table), "test.toml")
    change(table, path, value)
    with pytest.raises(InputError, match=message):
        oven_card_from_mapping(table, "test.toml")


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        ("upper.emitter", ..., r"kind = 'infrared' without \[upper\.emitter\]"),
        ("upper.emitter.view_factor", 28.0, r"upper\.emitter\.view_factor = 28\.0: .*at most 1$"),
        ("upper.emitter.view_factor", ..., r"upper\.emitter\.view_factor is missing"),
        ("upper.emitter.temperature_c", 2000.0, r"upper\.emitter\.temperature_c = 2000\.0: .*at most 1300 °C"),
        ("upper.emitter.power_w", 900.0, r"upper\.emitter\.power_w = 900\.0 is not known"),
    ],
)
def test_wrong_infrared_card_is_refused(path: str, value: object, message: str) -> None:
    table = infrared()
    change(table, path, value)
    with pytest.raises(InputError, match=message):
        oven_card_from_mapping(table, "test.toml")


def test_an_oven_that_exchanges_no_heat_is_refused() -> None:
    table = convection()
    for face in ("upper", "lower"):
        change(table, face, {"h_w_m2k": 0.0, "emissivity_eff": 0.0})
    with pytest.raises(InputError, match=r"test\.toml: upper and lower exchange no heat at all"):
        oven_card_from_mapping(table, "test.toml")


def test_a_variance_of_zero_is_a_coefficient_known_exactly() -> None:
    table = convection()
    change(table, "uncertainty.covariance", [[0.0, 0.0], [0.0, 4.0]])
    card = oven_card_from_mapping(table, "test.toml")
    assert card.uncertainty is not None
    assert card.uncertainty.covariance[0] == (0.0, 0.0)
