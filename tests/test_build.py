"""The slab made of a case: what its faces, film, tray and emitters come to, by hand from the same values."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cases import CARD, INVENTED, case_of, polymer_of
from thermal.build import sheet_material, slab
from thermal.case import Case, Departures, Film, MeasuredAir
from thermal.oven import Emitter, Face, OvenCard
from thermal.polymer import Infrared, Melting
from thermal.polymer_data import shipped_polymer
from thermal.surroundings import OvenFaces
from thermal.window import CORE, Limits, windows

SIGMA = 5.670374419e-8  # W/(m2 K4), CODATA
EMBER = replace(
    CARD, kind="infrared", set_c=160.0, air_offset_k=0.0, wall_offset_k=-10.0,
    upper=Face(7.0, 0.9, 0.0, Emitter(390.0, 0.28)), lower=Face(6.0, 0.9, 0.0, Emitter(370.0, 0.28)),
)  # fmt: skip
PP = shipped_polymer("pp-homopolymer")


def infrared_case(colour: str, film: Film | None = None, oven: OvenCard = EMBER) -> Case:
    return Case(PP, 5e-3, oven, oven.set_c, colour=colour, film=(film, film))


def faces_of(case: Case) -> OvenFaces:
    faces = slab(case).surroundings
    assert isinstance(faces, OvenFaces)
    return faces


def ready_s(case: Case) -> float:
    found = windows(slab(case), Limits(165.0, 400.0, 400.0), 4 * 3600.0)
    return float(found.minima[CORE][0])


def incoming_w_m2(case: Case) -> float:
    """sigma F T4 at the upper face."""
    emitter = case.oven.upper.emitter
    assert emitter is not None
    return emitter.view_factor * SIGMA * (emitter.temperature_c + 273.15) ** 4


# --- layers ---


def test_film_and_tray_are_resistances_in_series() -> None:
    case = replace(case_of(polymer_of(((23.0,), (2000.0,)), ((23.0,), (0.2,))), 6.0, CARD, 185.0), support="tray")
    film = Film(resistance_m2k_w=0.004)
    bare, filmed = (slab(replace(case, film=(None, f))).lumps[1] for f in (None, film))
    assert bare is not None
    assert filmed is not None
    assert bare.conductance_w_m2k[0] == pytest.approx(150.0)
    assert filmed.conductance_w_m2k[0] == pytest.approx(1.0 / (1.0 / 150.0 + 0.004))
    # The tray's heat capacity, not the film's: 8.1 kg/m2 of 900 J/(kg K).
    assert filmed.capacity_j_m2k[0] == pytest.approx(8.1 * 900.0)


def test_film_on_a_face_is_a_layer_of_its_own() -> None:
    film = Film(mass_kg_m2=0.07, heat_capacity_j_kgk=2300.0, resistance_m2k_w=0.004)
    upper, lower = slab(infrared_case("natural", film)).lumps
    for layer in (upper, lower):
        assert layer is not None
        assert layer.capacity_j_m2k[0] == pytest.approx(161.0)
        assert layer.conductance_w_m2k[0] == pytest.approx(250.0)
        assert layer.start_c[0] == 22.0


# --- an emitter's power: where it goes ---


@pytest.mark.parametrize("colour", ["natural", "pigmented"])
@pytest.mark.parametrize("absorptance", [0.0, 0.3, 1.0])
def test_kept_absorbed_and_reflected_add_up_to_what_comes_in(colour: str, absorptance: float) -> None:
    case = infrared_case(colour, Film(absorptance=absorptance))
    incoming, problem = incoming_w_m2(case), slab(case)
    # Shares by hand. The film, as every outer surface of the oven, takes what its emissivity lets it; behind it a
    # translucent sheet turns back its reflectance, an opaque one what its emissivity does not take.
    back = PP.surface.infrared["natural"].reflectance if colour == "natural" else 1.0 - 0.9
    reflected = incoming * (absorptance * (1.0 - 0.9) + (1.0 - absorptance) * back)
    kept = float(faces_of(case).emitter_w_m2[0, 0])
    assert kept == pytest.approx(absorptance * 0.9 * incoming)
    assert problem.absorption is not None
    absorbed = float(problem.absorption.entering_w_m2[0, 0])
    assert kept + absorbed + reflected == pytest.approx(incoming, rel=1e-9)


def test_bare_opaque_sheet_takes_it_at_the_face() -> None:
    case = infrared_case("pigmented")
    assert slab(case).absorption is None
    assert faces_of(case).emitter_w_m2[0, 0] == pytest.approx(0.9 * incoming_w_m2(case))


def test_what_passes_a_film_onto_an_opaque_sheet_stays_at_its_face() -> None:
    problem = slab(infrared_case("pigmented", Film(absorptance=0.2)))
    assert problem.absorption is not None
    loads = problem.absorption.loads_w_m2(18)
    np.testing.assert_allclose(loads[[0, -1]], problem.absorption.entering_w_m2, rtol=1e-6)
    np.testing.assert_allclose(loads[1:-1], 0.0, atol=1e-3)


def test_a_tray_takes_all_of_what_comes_from_below() -> None:
    case = replace(infrared_case("natural", Film()), support="tray")
    emitter = EMBER.lower.emitter
    assert emitter is not None
    incoming = emitter.view_factor * SIGMA * (emitter.temperature_c + 273.15) ** 4
    absorption = slab(case).absorption
    assert absorption is not None
    assert absorption.entering_w_m2[1, 0] == 0.0
    assert faces_of(case).emitter_w_m2[1, 0] == pytest.approx(0.9 * incoming)


@pytest.mark.parametrize("colour", ["natural", "pigmented"])
def test_a_film_that_keeps_more_delays_more(colour: str) -> None:
    # Heat kept by the film has its resistance still before it, and leaves again by the film's own hot outer face.
    times = [ready_s(infrared_case(colour, Film(absorptance=a))) for a in (0.05, 0.3, 0.95)]
    assert times[0] + 1.0 < times[1]
    assert times[1] + 1.0 < times[2]


def test_more_reflectance_lets_less_in() -> None:
    surface = PP.surface

    def case(reflectance: float) -> Case:
        infrared = Infrared(reflectance, ((1.0, 900.0),), INVENTED)
        polymer = replace(PP, surface=replace(surface, infrared={"natural": infrared}))
        return Case(polymer, 5e-3, EMBER, EMBER.set_c)

    entering = [slab(case(r)).absorption for r in (0.0, 0.25)]
    assert entering[0] is not None
    assert entering[1] is not None
    assert entering[0].entering_w_m2[0, 0] == pytest.approx(incoming_w_m2(case(0.0)))
    assert entering[1].entering_w_m2[0, 0] == pytest.approx(0.75 * incoming_w_m2(case(0.0)))
    assert ready_s(case(0.25)) > ready_s(case(0.0)) + 5.0


# --- walls ---


def walls_c(case: Case, time_s: float = 0.0) -> float:
    return float(faces_of(case).air.drive(np.array([time_s])).wall_k4[0] ** 0.25) - 273.15


@pytest.mark.parametrize("offset_k", [-5.0, 7.0])
def test_walls_stand_off_the_set_temperature_by_their_offset(offset_k: float) -> None:
    card = replace(CARD, wall_offset_k=offset_k, dial_offset_k=2.0, door_drop_k=0.0)
    case = case_of(PP, 6.0, card, 185.0)
    assert walls_c(case) == pytest.approx(185.0 + 2.0 + offset_k, abs=1e-6)
    by = Departures(wall_k=1.5)
    faces = slab(case, by).surroundings
    wall = float(faces.air.drive(np.zeros(1)).wall_k4[0] ** 0.25) - 273.15
    assert wall == pytest.approx(185.0 + 2.0 + offset_k + 1.5, abs=1e-6)


@pytest.mark.parametrize("offset_k", [-5.0, 7.0])
def test_walls_of_recorded_air_stand_off_it_as_on_the_card(offset_k: float) -> None:
    # Air 3 K below the set temperature on the card, walls `offset_k` from it: 3 K + offset from the air.
    card = replace(CARD, air_offset_k=-3.0, wall_offset_k=offset_k)
    steady = np.full(2, 170.0)
    case = replace(case_of(PP, 6.0, card, 185.0), measured=MeasuredAir(np.array([0.0, 900.0]), steady, steady))
    assert walls_c(case, 450.0) == pytest.approx(170.0 + 3.0 + offset_k, abs=1e-6)


@pytest.mark.parametrize(
    ("measured_at", "met_c"), [((0, 1), (172.0, 168.0)), ((0, 0), (172.0, 169.0)), ((1, 1), (171.0, 168.0))]
)
def test_a_face_meets_the_air_that_was_measured_at_it(measured_at: tuple[int, int], met_c: tuple[float, float]) -> None:
    # The card's air is 2 K warmer above and 1 K colder below than the oven's. Where it was measured the card's offsets
    # say nothing; where it was not, the other face's air and what the offsets differ by, 3 K.
    card = replace(CARD, upper=replace(CARD.upper, air_offset_k=2.0), lower=replace(CARD.lower, air_offset_k=-1.0))
    read_c = [(172.0, 168.0)[face] for face in measured_at]
    upper, lower = (np.full(2, c) for c in read_c)
    air = MeasuredAir(np.array([0.0, 900.0]), upper, lower, measured_at=measured_at)

    def met(by: Departures) -> list[float]:
        faces = slab(replace(case_of(PP, 6.0, card, 185.0), measured=air), by).surroundings
        assert isinstance(faces, OvenFaces)
        return [float(c) for c in (faces.air.drive(np.array([450.0])).air + faces.air_offset_k)[:, 0]]

    assert met(Departures()) == pytest.approx(met_c)
    moved = tuple(np.subtract(met(Departures(lower_air_k=0.7)), met_c))
    assert moved == pytest.approx({(0, 1): (0.0, 0.0), (0, 0): (0.0, 0.7), (1, 1): (-0.7, 0.0)}[measured_at])


def test_walls_follow_the_ovens_air_not_a_faces() -> None:
    card = replace(CARD, air_offset_k=-3.0, wall_offset_k=-3.0, upper=replace(CARD.upper, air_offset_k=4.0))
    air = MeasuredAir(np.array([0.0, 900.0]), np.full(2, 174.0), np.full(2, 174.0), measured_at=(0, 0))
    assert walls_c(replace(case_of(PP, 6.0, card, 185.0), measured=air), 450.0) == pytest.approx(170.0, abs=1e-6)


# --- melting ranges ---


def test_each_melting_range_varies_by_itself() -> None:
    main = Melting(120.0, 150.0, 160.0, 90e3, INVENTED, 2.0)
    lesser = Melting(40.0, 55.0, 70.0, 30e3, replace(INVENTED, rel_std=0.4), 2.0)
    plain = polymer_of(((23.0, 200.0), (2000.0, 2000.0)), ((23.0,), (0.2,)))
    polymer = replace(plain, melting=(lesser, main))

    def heat_j_kg(by: Departures, low_c: float, high_c: float) -> float:
        """Taken up between two temperatures beyond 2000 J/(kg K)."""
        low, high = (float(sheet_material(polymer, by, 1).enthalpy(np.array([c]))[0]) for c in (low_c, high_c))
        return high - low - 2000.0 * (high_c - low_c)

    stated = Departures()
    assert heat_j_kg(stated, 30.0, 80.0) == pytest.approx(30e3)
    assert heat_j_kg(stated, 110.0, 170.0) == pytest.approx(90e3)
    by = Departures(melting_heat=1.2, lesser_melting=-1.0)
    assert heat_j_kg(by, 110.0, 170.0) == pytest.approx(1.2 * 90e3)
    # One standard deviation down, of the range's own 40 %.
    assert heat_j_kg(by, 30.0, 80.0) == pytest.approx(np.exp(-0.4) * 30e3)
