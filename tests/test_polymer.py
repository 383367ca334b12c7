"""Sheet polymers: the shipped data against published values, reading, refusals, and `pullcue polymers`."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import fields, is_dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

import thermal.polymer_data
from dashboard.commands import pullcue
from thermal.fields import InputError
from thermal.polymer import (
    Melting,
    Polymer,
    Provenance,
    Table,
    Viscosity,
)
from thermal.polymer_data import (
    polymer_from_mapping,
    polymer_ids,
    shipped_polymer,
    shipped_polymers,
)

IDS = ("abs", "eva", "hdpe", "hips", "ionomer", "ldpe", "pc", "petg", "pmma", "pp-block-copolymer",
       "pp-homopolymer", "pp-random-copolymer")  # fmt: skip
NO_SOURCE = Provenance("a test", "estimated", 0.1)


def raw(polymer_id: str) -> dict[str, Any]:
    """The tables of a shipped file as TOML gives them."""
    path = files("thermal").joinpath("polymers", f"{polymer_id}.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))


def viscosity_of(polymer: Polymer) -> Viscosity:
    """The viscosity of a polymer that has one."""
    assert polymer.viscosity is not None
    return polymer.viscosity


def provenances(value: object) -> Iterator[Provenance]:
    """Every provenance inside a polymer."""
    if isinstance(value, Provenance):
        yield value
    elif is_dataclass(value):
        for field in fields(value):
            yield from provenances(getattr(value, field.name))
    elif isinstance(value, tuple):
        for entry in value:
            yield from provenances(entry)
    elif isinstance(value, dict):
        for entry in value.values():
            yield from provenances(entry)


# ---------------------------------------------------------------- shipped files


def test_the_twelve_are_shipped() -> None:
    assert polymer_ids() == IDS
    assert list(shipped_polymers()) == list(IDS)


@pytest.mark.parametrize("polymer_id", IDS)
def test_shipped_file(polymer_id: str) -> None:
    polymer = shipped_polymer(polymer_id)
    assert polymer.id == polymer_id
    assert polymer.note
    assert set(polymer.surface.infrared) == {"natural", "pigmented"}
    assert polymer.surface.infrared["pigmented"].opaque
    for provenance in provenances(polymer):
        assert len(provenance.source) > 10
        assert 0.0 < provenance.rel_std <= 1.5


@pytest.mark.parametrize("polymer_id", IDS)
def test_no_source_is_a_web_address(polymer_id: str) -> None:
    """A publication, or the kind of source: addresses die, and name who sells."""
    address = re.compile(r"https?:|www\.|\w\.(com|net|org|info|io|eu|de|uk)\b", re.IGNORECASE)
    assert address.search("see maker.com/data")
    for provenance in provenances(shipped_polymer(polymer_id)):
        assert not address.search(provenance.source), provenance.source


@pytest.mark.parametrize("polymer_id", IDS)
def test_every_section_of_a_shipped_file_says_where_it_comes_from(polymer_id: str) -> None:
    """In the file itself, so that no default of the reader stands in for a forgotten key."""

    def sections(table: dict[str, Any]) -> Iterator[dict[str, Any]]:
        for key, entry in table.items():
            for section in entry if isinstance(entry, list) else [entry]:
                if isinstance(section, dict):
                    if key != "infrared":
                        yield section
                    yield from sections(section)

    found = list(sections(raw(polymer_id)))
    assert len(found) >= 9
    for section in found:
        assert {"source", "basis", "rel_std"} <= set(section)


def test_reading_one_polymer_parses_one_file(monkeypatch: pytest.MonkeyPatch) -> None:
    parsed: list[str] = []
    loads = tomllib.loads

    def counted(text: str) -> dict[str, Any]:
        parsed.append(text)
        return loads(text)

    monkeypatch.setattr(thermal.polymer_data.tomllib, "loads", counted)  # type: ignore[attr-defined]
    shipped_polymer("eva")
    assert len(parsed) == 1


def test_unknown_id_names_near_matches_and_all() -> None:
    with pytest.raises(InputError, match=r"'pp-homoplymer' is not known \(did you mean pp-homopolymer.*pmma"):
        shipped_polymer("pp-homoplymer")
    with pytest.raises(InputError, match="is not known"):
        shipped_polymer("../polymers/eva")


# ---------------------------------------------------------------- external values

#: R.J. Crawford, Plastics Engineering, 3rd ed. 1998, Table 1.8, p. 31: density kg/m3, specific heat J/(kg K),
#: conductivity W/(m K), linear expansion 1/K. None where the shipped file says why it uses another value.
CRAWFORD: dict[str, tuple[float | None, float | None, float | None, float]] = {
    "abs": (1040.0, 1300.0, None, 90e-6),
    "pmma": (1180.0, 1500.0, 0.20, 70e-6),
    "pc": (None, 1200.0, 0.20, 65e-6),
    "pp-homopolymer": (905.0, None, None, 100e-6),
    "hips": (1050.0, 1300.0, 0.15, 80e-6),  # polystyrene
    "ldpe": (920.0, 2200.0, None, 200e-6),
    "hdpe": (950.0, None, None, 120e-6),
}


@pytest.mark.parametrize("polymer_id", sorted(CRAWFORD))
def test_room_temperature_values_against_crawford(polymer_id: str) -> None:
    """Within the standard uncertainty the file states."""
    polymer = shipped_polymer(polymer_id)
    density, heat, conductivity, expansion = CRAWFORD[polymer_id]
    for table, published in (
        (polymer.density, density),
        (polymer.heat_capacity, heat),
        (polymer.conductivity, conductivity),
    ):
        if published is not None:
            assert float(table.at(25.0)) == pytest.approx(published, rel=table.provenance.rel_std)
    assert polymer.expansion.linear_1_k == pytest.approx(expansion, rel=1e-12)


def test_pp_heat_capacity_and_conductivity_against_the_springer_handbook() -> None:
    """Martienssen & Warlimont (eds), Springer Handbook of Condensed Matter and Materials Data, 2005, p. 489.

    The same numbers, so to rounding; a conductivity of 0.22 up to 50 °C and 0.20 at 100 °C.
    """
    polymer = shipped_polymer("pp-homopolymer")
    assert polymer.heat_capacity.at([0.0, 20.0, 50.0, 100.0]) == pytest.approx([1570.0, 1680.0, 1920.0, 2350.0])
    assert polymer.conductivity.at([0.0, 50.0, 100.0]) == pytest.approx([0.22, 0.22, 0.20])


def test_pp_heat_capacity_lies_between_crystal_and_amorphous() -> None:
    """NIST Chemistry WebBook: 68.99 (crystal), 88.07 J/(mol K) (amorphous) at 25 °C; C3H6 is 42.08 g/mol."""
    crystal, amorphous = 68.99 / 42.08e-3, 88.07 / 42.08e-3
    assert crystal < float(shipped_polymer("pp-homopolymer").heat_capacity.at(25.0)) < amorphous


@pytest.mark.parametrize("polymer_id", ["pp-homopolymer", "hdpe"])
def test_crystallinity_that_the_melting_enthalpy_means(polymer_id: str) -> None:
    """94 J/g of 170 to 207 J/g (PP; Lanyi et al., Adv. Eng. Mater. 2020: 170) and of 293 J/g (PE;
    Macromolecules 53 (2020) 6063: 194 J/g at 66.3 %) are the 45-55 % and 55-70 % of sheet.
    """
    share = {"pp-homopolymer": (170e3, 207e3, 0.45, 0.56), "hdpe": (292e3, 293e3, 0.55, 0.70)}[polymer_id]
    melting = shipped_polymer(polymer_id).melting[0]
    assert share[2] < melting.enthalpy_j_kg / share[1] < melting.enthalpy_j_kg / share[0] < share[3]


def test_eva_melting_against_a_published_thermogram() -> None:
    """Two peaks, 51 and 87 °C, 75 J/g together: published DSC example of EVA, 20 % vinyl acetate."""
    melting = shipped_polymer("eva").melting
    assert [m.peak_c for m in melting] == [51.0, 87.0]
    assert sum(m.enthalpy_j_kg for m in melting) == pytest.approx(75e3)


def test_abs_forming_window() -> None:
    """Lower 127 °C, upper 182 °C: published table of forming temperatures for sheet."""
    forming = shipped_polymer("abs").forming
    assert (forming.core_min_c, forming.face_max_c) == (127.0, 182.0)


def test_pp_in_an_oven_set_at_160() -> None:
    """Common practice, no source: homopolymer's core must pass 165 °C; 12 mm stiff sheet heats near 160."""
    assert shipped_polymer("pp-homopolymer").forming.core_min_c == 165.0
    assert shipped_polymer("pp-random-copolymer").forming.core_min_c < 152.0


def test_copolymer_forms_where_sheet_was_measured() -> None:
    """L. Foster, J. Prosthet. Orthot. 16 (2004) 46-48: natural copolymer leaves the oven at 152-166 °C."""
    for polymer_id in ("pp-random-copolymer", "pp-block-copolymer"):
        forming = shipped_polymer(polymer_id).forming
        assert forming.core_min_c < 166.0 < forming.core_max_c
        assert forming.core_max_c > 152.0


def test_only_semi_crystalline_sheet_clears() -> None:
    known = shipped_polymers()
    assert {i for i, p in known.items() if not p.semi_crystalline} == {"abs", "hips", "pc", "petg", "pmma"}
    assert {i for i, p in known.items() if p.clears_when_melted} == {
        "hdpe", "ldpe", "pp-block-copolymer", "pp-homopolymer", "pp-random-copolymer"}  # fmt: skip


# ---------------------------------------------------------------- tables, melting, viscosity


def test_table_is_linear_between_points_and_constant_beyond() -> None:
    table = Table((20.0, 100.0), (1.0, 3.0), NO_SOURCE)
    assert table.at([-40.0, 20.0, 60.0, 100.0, 300.0]) == pytest.approx([1.0, 1.0, 2.0, 3.0, 3.0])
    assert table.at(np.full((2, 3), 40.0)).shape == (2, 3)
    assert table.overreach_k(20.0, 100.0) == 0.0
    assert table.overreach_k(-15.0, 60.0) == 35.0
    assert table.overreach_k(30.0, 141.0) == 41.0
    assert Table((23.0,), (1.0,), NO_SOURCE).overreach_k(-40.0, 300.0) == 0.0


@pytest.mark.parametrize("polymer_id", [i for i in IDS if shipped_polymer(i).semi_crystalline])
def test_melting_triangle_has_its_area(polymer_id: str) -> None:
    for melting in shipped_polymer(polymer_id).melting:
        corners = np.array([melting.onset_c, melting.peak_c, melting.end_c])
        # The triangle is linear between its corners: the trapezoidal rule on them is exact.
        assert np.trapezoid(melting.excess_j_kgk(corners), corners) == pytest.approx(melting.enthalpy_j_kg, rel=1e-12)
        assert melting.excess_j_kgk(corners) == pytest.approx([0.0, melting.height_j_kgk, 0.0], abs=1e-9)
        assert melting.excess_j_kgk([melting.onset_c - 1.0, melting.end_c + 1.0]) == pytest.approx([0.0, 0.0])


def test_melted_fraction_is_the_integral_of_the_triangle() -> None:
    melting = Melting(125.0, 165.0, 171.0, 94e3, NO_SOURCE)
    t = np.linspace(120.0, 175.0, 5501)  # 0.01 K: the trapezoidal rule is off by 1e-7 at most
    excess = melting.excess_j_kgk(t)
    integral = np.concatenate(([0.0], np.cumsum((excess[1:] + excess[:-1]) / 2 * np.diff(t)))) / 94e3
    assert melting.fraction(t) == pytest.approx(integral, abs=1e-6)
    assert float(melting.fraction(165.0)) == pytest.approx(40.0 / 46.0)


@pytest.mark.parametrize(("temperature_c", "ratio"), [(175.0, 1.416), (160.0, 2.053), (190.0, 1.0)])
def test_arrhenius_ratio(temperature_c: float, ratio: float) -> None:
    """exp(E/R (1/T - 1/463.15 K)) for 40 kJ/mol, computed apart with R = 8.314462 J/(mol K)."""
    law = Viscosity("arrhenius", 4e4, 190.0, 162.0, NO_SOURCE, activation_j_mol=40e3)
    assert float(law.melt_pa_s(temperature_c)) / 4e4 == pytest.approx(ratio, abs=6e-4)


def test_wlf_shift_of_polystyrene() -> None:
    """J.D. Ferry, Viscoelastic Properties of Polymers, 3rd ed. 1980, Table 11-II, recalled.

    13.7 and 50 K at 100 °C; aT recomputed apart to three digits.
    """
    law = viscosity_of(shipped_polymer("hips"))
    assert (law.c1, law.c2_k, law.reference_c) == (13.7, 50.0, 100.0)
    shift = law.melt_pa_s([120.0, 140.0, 160.0, 180.0]) / law.reference_pa_s
    assert shift == pytest.approx([1.22e-4, 8.15e-7, 3.37e-8, 3.71e-9], rel=5e-3)


def test_wlf_stays_finite_below_its_pole() -> None:
    law = viscosity_of(shipped_polymer("petg"))
    cold = law.melt_pa_s([-40.0, law.reference_c - law.c2_k, law.solid_below_c])
    assert np.all(cold == cold[-1])
    assert np.all(np.isfinite(cold))


def test_order_of_melt_resistance_at_190() -> None:
    """H.C. Lau, S.N. Bhattacharya, G.J. Field, Polym. Eng. Sci. 40 (2000) 1564: ABS sags less than PP."""
    abs_, pp = (viscosity_of(shipped_polymer(i)).melt_pa_s(190.0) for i in ("abs", "pp-homopolymer"))
    assert abs_ > pp


# ---------------------------------------------------------------- refusals


def change(path: str, value: object) -> Callable[[dict[str, Any]], None]:
    """Set (or with `...` remove) a dotted key."""

    def apply(mapping: dict[str, Any]) -> None:
        *tables, key = path.split(".")
        for table in tables:
            mapping = mapping[table]
        if value is ...:
            del mapping[key]
        else:
            mapping[key] = value

    return apply


REFUSED = [
    ("density.vlaue", 905.0, r"own\.toml: density\.vlaue = 905\.0 is not known \(did you mean value"),
    ("densitty", {}, r"densitty = \{\} is not known \(did you mean density"),
    ("forming.core_min_c", ..., r"forming\.core_min_c is missing: expected a number"),
    ("conductivity", ..., r"conductivity is missing: expected a table"),
    ("name", ..., r"own\.toml: name is missing"),
    (
        "density.value",
        [905.0, 879.0, float("nan"), 760.0],
        r"density\.value\[2\] = nan: expected a number at least 300",
    ),
    (
        "density.value",
        [0.905, 0.88, 0.77, 0.76],
        r"density\.value\[0\] = 0\.905: .*at least 300 .*3000 kg/m3",
    ),
    ("density.value", -905.0, r"density\.value = -905\.0: expected a list of 4"),
    ("density.value", [905.0], r"density\.value = \[905\.0\]: expected a list of 4"),
    ("density.temperature_c", ..., r"density\.value = \[.*or also a list temperature_c"),
    ("density.temperature_c", [23.0, 171.0, 120.0, 190.0], r"density\.temperature_c = .*strictly increasing"),
    ("density.temperature_c", [23.0, 120.0, 120.0, 190.0], r"density\.temperature_c = .*strictly increasing"),
    (
        "density.temperature_c",
        [296.0, 393.0, 444.0, 463.0],
        r"density\.temperature_c\[1\] = 393\.0: .*at most 320 °C",
    ),
    ("density.temperature_c", [273.0, 293.0, 300.0, 310.0], r"starts at 200 °C or below \(°C, not kelvin\)"),
    ("surface.source", ..., r"surface\.basis = 'published': expected a key source beside it"),
    (
        "melting",
        {"onset_c": 125.0, "peak_c": 165.0, "end_c": 171.0, "enthalpy_j_kg": 9e4, "basis": "derived"},
        r"melting\.basis = 'derived': expected a key source beside it, naming where it was derived",
    ),
    ("density.source", "", r"density\.source = ''"),
    ("density.basis", "guessed", r"density\.basis = 'guessed': expected one of published"),
    ("density.rel_std", -0.1, r"density\.rel_std = -0\.1"),
    ("conductivity.value", [220.0] * 5, r"conductivity\.value\[0\] = 220\.0: .*at most 2 W/\(m K\)"),
    (
        "heat_capacity.value",
        [1.57, 1.68, 1.92, 2.35, 2.6, 2.75],
        r"heat_capacity\.value\[0\] = 1\.57: .*500 .*J/\(kg K\)",
    ),
    ("melting.enthalpy_j_kg", 94.0, r"melting\.enthalpy_j_kg = 94\.0: .*at least 1000 .*J/kg"),
    ("melting.peak_c", 175.0, r"melting\.peak_c = 175\.0: expected onset_c < peak_c < end_c"),
    ("melting.peak_c", 438.0, r"melting\.peak_c = 438\.0: .*at most 320 °C"),
    ("melting.onset_c", float("inf"), r"melting\.onset_c = inf"),
    ("crystallisation.onset_c", 90.0, r"crystallisation\.peak_c = .*on the way down"),
    (
        "crystallisation",
        {"onset_c": 170.0, "peak_c": 166.0, "end_c": 160.0, "enthalpy_j_kg": 9e4, "source": "x"},
        r"crystallisation\.peak_c = 166\.0: expected a temperature below melting\.peak_c",
    ),
    ("expansion.linear_1_k", 100.0, r"expansion\.linear_1_k = 100\.0: .*1/K"),
    ("expansion.orientation_strain", 3.5, r"expansion\.orientation_strain = 3\.5"),
    ("surface.emissivity", 94.0, r"surface\.emissivity = 94\.0: .*at most 1"),
    ("surface.emissivity", 0.0, r"surface\.emissivity = 0\.0: .*above 0"),
    (
        "surface.infrared.natural.fraction",
        [0.2, 0.9],
        r"surface\.infrared\.natural\.fraction = .*add up to 1, not 1\.1",
    ),
    (
        "surface.infrared.natural.absorption_1_m",
        ...,
        r"surface\.infrared\.natural\.absorption_1_m is missing",
    ),
    ("surface.infrared.blue", {}, r"surface\.infrared\.blue = \{\} is not known"),
    ("viscosity.law", "power", r"viscosity\.law = 'power': expected one of arrhenius, wlf"),
    (
        "viscosity.activation_j_mol",
        41.0,
        r"viscosity\.activation_j_mol = 41\.0: .*at least 1000 J/mol \(J, not kJ\)",
    ),
    ("viscosity.reference_pa_s", True, r"viscosity\.reference_pa_s = True"),
    ("viscosity.solid_below_c", 195.0, r"viscosity\.solid_below_c = 195\.0: .*at most forming\.core_max_c"),
    ("viscosity.c1", 17.0, r"viscosity\.c1 = 17\.0 is not known"),
    ("forming.core_min_c", 438.0, r"forming\.core_min_c = 438\.0: .*at most 320 °C"),
    ("forming.core_min_c", 192.0, r"forming\.core_min_c = 192\.0: expected a temperature below core_max_c"),
    ("forming.core_max_c", 165.0, r"forming\.core_min_c = 165\.0: expected a temperature below core_max_c \(165 °C"),
    ("forming.face_max_c", 165.0, r"forming\.core_min_c = 165\.0: expected a temperature below face_max_c \(165 °C"),
    (
        "forming.form_until_c",
        170.0,
        r"forming\.form_until_c = 170\.0: expected a temperature at most core_min_c",
    ),
    ("forming.demold_c", 165.0, r"forming\.demold_c = 165\.0: expected a temperature below core_min_c"),
    ("forming.stretch_max", 0.5, r"forming\.stretch_max = 0\.5"),
    ("drying", {"needed": True, "source": "x"}, r"drying\.temperature_c is missing"),
    ("version", 10**400, r"version = 10+\.\.\.: expected a number"),
    ("version", 1.5, r"version = 1\.5: expected a whole number"),
    ("melting", 165.0, r"melting = 165\.0: expected a table"),
]


@pytest.mark.parametrize(("path", "value", "message"), REFUSED)
def test_wrong_file_is_refused(path: str, value: object, message: str) -> None:
    mapping = raw("pp-homopolymer")
    polymer_from_mapping(deepcopy(mapping), "own.toml")  # it is the one change that is refused
    change(path, value)(mapping)
    with pytest.raises(InputError, match=message):
        polymer_from_mapping(mapping, "own.toml")


def test_sections_that_contradict_each_other() -> None:
    mapping = raw("pp-homopolymer")
    del mapping["melting"]
    mapping["clears_when_melted"] = False
    with pytest.raises(InputError, match=r"crystallisation = 'given': expected a \[melting\] table too"):
        polymer_from_mapping(mapping, "own.toml")
    del mapping["crystallisation"]
    mapping["clears_when_melted"] = True
    with pytest.raises(InputError, match="clears_when_melted = True: expected false"):
        polymer_from_mapping(mapping, "own.toml")
    eva = raw("eva")
    eva["melting"].reverse()
    with pytest.raises(InputError, match=r"ascending order of peak_c"):
        polymer_from_mapping(eva, "own.toml")
    petg = raw("petg")
    petg["viscosity"]["solid_below_c"] = 25.0
    with pytest.raises(InputError, match=r"viscosity\.solid_below_c = 25\.0: expected above 28\.4 °C"):
        polymer_from_mapping(petg, "own.toml")


def shop_polymer() -> dict[str, Any]:
    """What a shop may well write: single values, some with a source."""
    source = {"source": "supplier's data sheet"}
    return {
        "id": "own",
        "name": "Own sheet",
        "density": {"value": 900, **source},
        "conductivity": {"value": 0.2, **source},
        "heat_capacity": {"value": 2000.0, "basis": "recalled"},
        "expansion": {"linear_1_k": 1e-4, **source},
        "surface": {"emissivity": 0.9, **source},
        "viscosity": {
            "reference_pa_s": 1e4,
            "reference_c": 190.0,
            "activation_j_mol": 0.0,
            "solid_below_c": 20.0,
            **source,
        },
        "forming": {
            "core_min_c": 120.0,
            "core_max_c": 160.0,
            "face_max_c": 180.0,
            "demold_c": 60.0,
            "form_until_c": 100.0,
            "basis": "published",
            "rel_std": 0.01,
            **source,
        },
    }


def test_a_short_file_gets_the_stated_defaults() -> None:
    polymer = polymer_from_mapping(shop_polymer(), "own.toml")
    assert not polymer.semi_crystalline
    assert not polymer.clears_when_melted
    assert polymer.main_melting is None
    assert polymer.drying is None
    assert polymer.version == 1
    assert polymer.density == Table((23.0,), (900.0,), Provenance("supplier's data sheet", "estimated", 0.25))
    assert polymer.heat_capacity.provenance == Provenance("not stated", "recalled", 0.15)
    assert polymer.forming.provenance.rel_std == 0.01
    viscosity = viscosity_of(polymer)
    assert viscosity.provenance.rel_std == 1.0
    assert viscosity.solid_ratio == pytest.approx(10**3.5)
    assert viscosity.melt_pa_s([100.0, 200.0]) == pytest.approx([1e4, 1e4])
    assert polymer.expansion.orientation_strain == 0.0


LEAST = """\
id = "least"
name = "Constant sheet"
density.value = 1000
conductivity.value = 0.2
heat_capacity.value = 2000
forming = { core_min_c = 120, core_max_c = 160, face_max_c = 150, demold_c = 110, form_until_c = 100 }
"""


def test_the_least_file() -> None:
    """Four sections. A face may have to stay below core_max_c, and a sheet may be let go above form_until_c."""
    polymer = polymer_from_mapping(tomllib.loads(LEAST), "least.toml")
    assert polymer.heat_capacity.at([-20.0, 23.0, 250.0]) == pytest.approx([2000.0, 2000.0, 2000.0])
    assert polymer.heat_capacity.provenance == Provenance("not stated", "estimated", 0.25)
    assert polymer.viscosity is None
    assert (polymer.expansion.linear_1_k, polymer.expansion.orientation_strain_std) == (0.0, 0.0)
    # 0.95 for most organic materials, 0.85-0.95 for plastics: emissivity tables of infrared thermometer manuals.
    assert 0.85 <= polymer.surface.emissivity <= 0.95
    assert polymer.surface.infrared == {}
    assert not polymer.semi_crystalline
    assert not polymer.clears_when_melted


@pytest.mark.parametrize("section", ["expansion", "surface", "viscosity"])
def test_each_optional_section_may_be_absent_by_itself(section: str) -> None:
    mapping = shop_polymer()
    whole = polymer_from_mapping(mapping, "own.toml")
    del mapping[section]
    polymer = polymer_from_mapping(mapping, "own.toml")
    changed = {f.name for f in fields(Polymer) if getattr(polymer, f.name) != getattr(whole, f.name)}
    assert changed == {section}


# ---------------------------------------------------------------- pullcue polymers


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, ["polymers", *words], env={"COLUMNS": "100"})


def test_command_lists_all() -> None:
    result = run()
    assert result.exit_code == 0
    for polymer in shipped_polymers().values():
        row = next(line for line in result.output.splitlines() if line.startswith(f"{polymer.id} "))
        assert f"{polymer.forming.core_min_c:g} to {polymer.forming.core_max_c:g}" in row
        assert f"{polymer.forming.face_max_c:g}" in row
    listed = json.loads(run("--json").output)["polymers"]
    assert [entry["id"] for entry in listed if not entry["own"]] == list(IDS)
    assert next(entry for entry in listed if entry["id"] == "pc")["drying_needed"] is True


@pytest.mark.parametrize("polymer_id", IDS)
def test_command_shows_every_source_and_uncertainty(polymer_id: str) -> None:
    result = run(polymer_id)
    assert result.exit_code == 0
    shown = " ".join(result.output.split())
    polymer: Polymer = shipped_polymer(polymer_id)
    for provenance in provenances(polymer):
        assert provenance.source.replace(" ", "") in shown.replace(" ", "")
        assert provenance.basis in shown
    for words in ("heat capacity, J/(kg K)", "conductivity, W/(m K)", "viscosity of the melt, Pa s", "kg/m3"):
        assert words in shown


def test_command_json_holds_the_values_with_units() -> None:
    shown = json.loads(run("pp-homopolymer", "--json").output)
    file = raw("pp-homopolymer")
    assert shown["density"]["value_kg_m3"] == file["density"]["value"]
    assert shown["heat_capacity"]["value_j_kgk"] == file["heat_capacity"]["value"]
    assert shown["conductivity"]["temperature_c"] == file["conductivity"]["temperature_c"]
    assert shown["melting"][0]["enthalpy_j_kg"] == 94000.0
    assert shown["melting"][0]["source"] == file["melting"]["source"]
    assert "provenance" not in shown["melting"][0]
    assert shown["crystallisation"]["onset_c"] == file["crystallisation"]["onset_c"]
    assert shown["surface"]["infrared"]["natural"]["bands"][0] == {"fraction": 0.1, "absorption_1_m": 5e4}
    assert shown["surface"]["infrared"]["natural"]["basis"] == "recalled"
    assert shown["forming"]["core_min_c"] == 165.0


@pytest.mark.parametrize(("name", "start"), [("a.svg", b"<?xml"), ("a.PNG", b"\x89PNG"), ("a.html", b"<")])
def test_command_writes_a_plot(tmp_path: Path, name: str, start: bytes) -> None:
    result = run("eva", "--plot", str(tmp_path / name))
    assert result.exit_code == 0, result.output
    content = (tmp_path / name).read_bytes()
    assert content.startswith(start)
    if name.endswith("html"):
        assert b"<html" in content
        assert b"plotly.js (basic - minified)" in content  # inside: workshops open it offline
        assert b"<script src=" not in content
        assert b"viscosity of the melt, Pa s" in content
        assert b'src="http' not in content  # opens offline


def test_command_shows_the_least_file(tmp_path: Path) -> None:
    own = tmp_path / "least.toml"
    own.write_text(LEAST, encoding="utf-8")
    result = run("--polymer-file", str(own))
    assert result.exit_code == 0, result.output
    shown = " ".join(result.output.split())
    assert "viscosity not stated; the drop cannot be predicted" in shown
    assert "expansion not stated; taken as none" in shown
    assert "1000 kg/m3 at all temperatures ±25 %, estimated source: not stated" in shown
    assert "Polymer least is read from least.toml" in shown
    assert "viscosity of the melt" not in shown
    content = json.loads(run("--polymer-file", str(own), "--json").output)
    assert content["viscosity"] is None
    assert content["own"] is True
    assert content["density"]["source"] == "not stated"
    for name in ("least.html", "least.svg"):
        assert run("--polymer-file", str(own), "--plot", str(tmp_path / name)).exit_code == 0
        assert "viscosity of the melt" not in (tmp_path / name).read_text(encoding="utf-8")


def test_command_adds_the_polymers_of_a_shop(tmp_path: Path) -> None:
    (tmp_path / "polymers").mkdir()
    (tmp_path / "shop.toml").write_text('name = "Test shop"', encoding="utf-8")
    for polymer_id in ("least", "eva"):
        text = LEAST.replace('id = "least"', f'id = "{polymer_id}"')
        (tmp_path / "polymers" / f"{polymer_id}.toml").write_text(text, encoding="utf-8")
    listed = run("--shop", str(tmp_path))
    assert listed.exit_code == 0, listed.output
    shown = " ".join(listed.output.split())
    assert "Polymer least belongs to the shop Test shop" in shown
    assert "Polymer eva belongs to the shop Test shop, in place of the one that ships with the tool" in shown
    assert "least Constant sheet 120 to 160 150 not stated no" in shown
    rows = json.loads(run("--shop", str(tmp_path), "--json").output)["polymers"]
    assert {row["id"] for row in rows} == {*IDS, "least"}
    assert {row["id"] for row in rows if row["own"]} == {"eva", "least"}
    assert next(row for row in rows if row["id"] == "least")["glass_c"] is None
    one = run("eva", "--shop", str(tmp_path))
    assert "Constant sheet  (eva, data version 1)" in one.output
    assert "in place of the one that ships with the tool" in one.output
    assert json.loads(run("hdpe", "--shop", str(tmp_path), "--json").output)["own"] is False
    refused = run("--shop", str(tmp_path / "none"))
    assert refused.exit_code == 2
    assert "none does not exist; make the folder" in refused.output


def test_command_refuses_in_one_sentence(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"

    def refusal(text: bytes) -> str:
        own.write_bytes(text)
        result = run("--polymer-file", str(own))
        assert result.exit_code == 2
        assert "Traceback" not in result.output
        return result.output

    good = files("thermal").joinpath("polymers", "eva.toml").read_bytes()
    assert "own.toml: no valid TOML" in refusal(b"[density\nvalue = 905")
    assert "own.toml: line 1 is not UTF-8" in refusal('name = "é"'.encode("latin-1"))
    assert "own.toml: density.value[0] = -945.0: expected a number at least 300" in refusal(
        good.replace(b"[945.0", b"[-945.0")
    )
    own.write_bytes(b"\xef\xbb\xbf" + good)  # as Windows editors save it
    assert run("--polymer-file", str(own)).exit_code == 0
    assert run("eva", "--polymer-file", str(own)).exit_code == 2
    assert "none.toml: there is no such file" in run("--polymer-file", str(tmp_path / "none.toml")).output
    assert run("--plot", "a.svg").exit_code == 2
    assert "ends in .html, .png or .svg" in run("eva", "--plot", str(tmp_path / "a.pdf")).output
    assert "did you mean hdpe" in run("hdpee").output
