"""The part on the plan page without a browser: bad molds, addresses, pictures and the line of time as values."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import numpy as np
import pytest

from dashboard.equipment import equipment_of
from dashboard.making import Making, OnTheMold, making
from dashboard.making_words import sector_names, wall_rows
from dashboard.mold_file import read_mold
from dashboard.mold_upload import LARGEST_BYTES, safe_name
from dashboard.part_line import legs
from dashboard.pattern_drawing import pattern_file
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units
from dashboard.web.app import make_app
from dashboard.web.frame import query_of_search
from dashboard.web.part_answer import part_answer
from dashboard.web.part_controls import part_form_from
from dashboard.web.part_figure import blank_figure, profile_figure, sector_figure
from dashboard.web.part_form import FIRST, PartForm, form_of_query, mold_of, query_of, question_of, rows_from
from dashboard.web.part_kit import KIT_KEPT, KIT_TYPED, kit_values
from dashboard.web.part_section import keeping
from dashboard.web.parts import Parts
from dashboard.web.plan_form import PlanForm
from dashboard.web.plan_form import question_of as heat_question
from dashboard.web.planner import Planner
from dashboard.web.roles import LEAD, TECHNICIAN
from dashboard.web.services import Services
from dashboard.work_card import card_file
from mold_meshes import limb, write_obj, write_ply, write_stl
from page_rig import Visitor, accounts_in, plain_services, shell_call
from page_rig import made as account
from thermal.fields import InputError
from thermal.method import Choice, Equipment, choose

METRIC, US = Units(), Units("us")
AT_HAND = equipment_of(read_shop(DEMO_FOLDER))
LEVELS, GIRTHS = (30.0, 60.0, 90.0, 120.0, 150.0, 180.0, 210.0), (210.0, 255.0, 280.0, 296.0, 310.0, 330.0, 345.0)
FORM = replace(FIRST, level_mm=LEVELS, girth_mm=GIRTHS, mold="Limb 17", wall_mm=5.0)
HEAT = PlanForm("hdpe", "north", 10.0, 185.0)
EVIL = "<script>alert(1)</script> $\\frac{1}{$"


@pytest.fixture(scope="module")
def services() -> Services:
    return plain_services()


@pytest.fixture(scope="module")
def made(services: Services) -> Making:
    """A bubble's part; one frame alone, since each takes half a second."""
    shop = services.shop
    mold = mold_of(FORM)
    choice = choose(shop.polymer("hdpe"), mold.mold, Equipment(openings_m=((0.3, 0.4),)), 0.005)
    return making(mold, choice, OnTheMold(22.0), shop.oven("north"), 185.0)


@pytest.fixture(scope="module")
def draped(services: Services) -> Making:
    """The same mold draped; without vacuum no bubble is computed, without an oven no heat."""
    mold = mold_of(replace(FORM, mold=EVIL))
    choice = choose(services.shop.polymer("pp-homopolymer"), mold.mold, Equipment(vacuum=False), 0.003)
    return making(mold, choice, OnTheMold(22.0), None, None)


def table(*rows: tuple[str, str]) -> list[list[str]]:
    return [list(row) for row in rows]


def typed(**other: Any) -> dict[str, Any]:
    """The form as the browser sends it."""
    return {
        "table": [[f"{a:g}", f"{b:g}"] for a, b in zip(LEVELS, GIRTHS, strict=True)], "distal": "round", "mesh": "",
        "method": "chosen", "plaster": "dry", "mold": "Limb 17", "wall_mm": 5, "sheet_mm": None,
        "mold_c": None, **kit_values(AT_HAND, METRIC), **other,
    }  # fmt: skip


# ---------------------------------------------------------------- as typed


@pytest.mark.parametrize(
    ("rows", "units", "words"),
    [
        (table(("30", "-210"), ("60", "255")), METRIC, "girth -210 mm at level 30 mm: expected a number above 0"),
        (table(("60", "210"), ("30", "255")), METRIC, "level 30 mm stands after 60 mm: expected levels that rise"),
        (table(("1.2", "8.3"), ("2.4", "10")), METRIC, "was 10 in (254 mm) or 10 cm (100 mm) meant|was 10 cm"),
        (table(("30", "210"), ("60", "255")), US, "was 255 mm (255 mm) meant? Give the values with that unit"),
        (table(("30", "21,0"), ("60", "255")), METRIC, "row 1: girth '21,0': expected a number with a decimal point"),
        (table(("30", EVIL[:25]), ("60", "255")), METRIC, "expected a number with a decimal point"),
        (table(("30", "")), METRIC, "row 1: the girth is missing"),
        (table(("30", "210")), METRIC, "1 levels and 1 girths: expected two or more"),
        (table(("", ""), ("", "")), METRIC, "the mold has no girths"),
        (table(("30", "nan"), ("60", "255")), METRIC, "girth nan mm at level 30 mm: expected a number above 0"),
        (table(("30", "inf"), ("60", "255")), METRIC, "girth inf mm"),
        (table(*((f"{n}", "210") for n in range(1, 102))), METRIC, "101 levels: expected 100 at most"),
        (None, METRIC, "cannot be read: reload the page"),
        ([["30", 210]], METRIC, "cannot be read: reload the page"),
    ],
)
def test_a_bad_table_is_refused_with_its_reason(rows: Any, units: Units, words: str) -> None:
    with pytest.raises(InputError) as refused:
        rows_from(rows, units)
    assert any(part in str(refused.value) for part in words.split("|")), str(refused.value)


def test_a_table_in_inches_is_the_same_mold() -> None:
    inches = [[f"{a / 25.4:.4f}", f"{b / 25.4:.4f}"] for a, b in zip(LEVELS, GIRTHS, strict=True)]
    levels, girths = rows_from([*inches, ["", ""]], US)
    assert levels == pytest.approx(LEVELS, abs=2e-3)  # four digits of an inch
    assert girths == pytest.approx(GIRTHS, abs=2e-3)


def test_the_form_reads_back_from_the_browser_and_from_an_address() -> None:
    assert part_form_from(typed(), AT_HAND, METRIC) == FORM
    full = replace(FORM, distal="flat", sheet_mm=8.0, method="bubble", plaster="damp", mold_c=30.0, wall_mm=None)
    query = dict(parse_qsl(query_of(full), keep_blank_values=True))
    assert form_of_query(query) == full
    assert query_of(FIRST) == ""
    assert form_of_query({}) == FIRST


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"method": "welding"}, "method 'welding': expected one of chosen, bubble, drape"),
        ({"distal": "square"}, "distal end 'square': expected one of round, flat, conical"),
        ({"plaster": EVIL}, "expected one of dry, damp"),
        ({"wall_mm": None}, "neither wall nor sheet is stated"),
        ({"wall_mm": 50.0}, "least wall 50: expected"),
        ({"sheet_mm": 200.0}, "sheet to take 200: expected"),
        ({"mold_c": 400.0}, "mold 400: expected"),
        ({"level_mm": (), "girth_mm": ()}, "the mold has no girths"),
        ({"girth_mm": GIRTHS[1:]}, "7 levels and 6 girths"),
    ],
)
def test_what_is_wrong_with_a_part_is_said(services: Services, change: dict[str, Any], words: str) -> None:
    heat = heat_question(HEAT, services.shop, services.today())
    with pytest.raises(InputError, match=words.split(":")[0]) as refused:
        question_of(replace(FORM, **change), heat, services.shop, None)
    assert words in str(refused.value)


# ---------------------------------------------------------------- what is at hand


def typed_in(units: Units, equipment: Equipment) -> dict[str, Any]:
    """The form with these units shown."""
    per = 1.0 if units.system == "metric" else 1.0 / 25.4
    girths = [[f"{a * per:.4f}", f"{b * per:.4f}"] for a, b in zip(LEVELS, GIRTHS, strict=True)]
    return typed(table=girths, wall_mm=5.0 * per, **kit_values(equipment, units))


def test_fields_as_filled_in_are_the_shops_own(services: Services) -> None:
    """Rounded for a field in inches or not: what nobody changed is not taken from the field."""
    for units in (METRIC, US):
        assert part_form_from(typed_in(units, AT_HAND), AT_HAND, units).equipment is None
    heat = heat_question(HEAT, services.shop, services.today())
    assert question_of(FORM, heat, services.shop, None).equipment == AT_HAND


def test_what_is_at_hand_is_read_from_fields_and_from_an_address() -> None:
    changed = {"frames": "300 x 400; 250", "rack_mm": None, "vacuum": "no", "stock": "3, 4.5"}
    form = part_form_from(typed(**changed), AT_HAND, METRIC)
    found = form.equipment
    assert found is not None
    assert found.openings_m == ((0.3, 0.4), (0.25,))
    assert (found.rack_m, found.vacuum, found.oven_m) == (None, False, AT_HAND.oven_m)
    assert found.gauges_m == pytest.approx((0.003, 0.0045))
    assert form_of_query(query_of_search(query_of(form))) == form
    inches = part_form_from({**typed_in(US, found), "border_mm": 2.0}, AT_HAND, US).equipment
    assert inches is not None
    assert inches.border_m == pytest.approx(0.0508)
    assert inches.openings_m[0] == pytest.approx((0.3, 0.4), abs=1e-5)
    assert inches.gauges_m[0] == 0.003


def test_what_is_not_asked_for_stays_so_in_an_address() -> None:
    """A field that was emptied is not filled again by reloading the page, nor on its card."""
    form = replace(FORM, wall_mm=None, sheet_mm=8.0)
    assert form_of_query(query_of_search(query_of(form))) == form


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"frames": "3"}, "frame '3': expected 300 (diameter of a circle) or 300x200"),
        ({"frames": EVIL}, "frame '<script>"),
        ({"frames": 300}, "frames 300: expected numbers with commas"),
        ({"rack_mm": 5}, "room below the frame 5: expected"),
        ({"border_mm": 900}, "sheet under the clamp 900: expected"),
        ({"oven_deep_mm": None}, "one side is missing: state width and depth, or neither"),
        ({"stock": "3, thick"}, "sheets in stock: 'thick': expected numbers"),
        ({"stock": "300"}, "sheet in stock 300: expected"),
        ({"vacuum": "perhaps"}, "vacuum 'perhaps': expected one of yes, no"),
    ],
)
def test_equipment_that_cannot_be_is_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as refused:
        part_form_from(typed(**change), AT_HAND, METRIC)
    assert words in str(refused.value)


def test_what_is_at_hand_decides(services: Services) -> None:
    """Method, frame, fit and clearance follow the fields, not only the shop's file."""
    heat = heat_question(HEAT, services.shop, services.today())

    def choice(**change: Any) -> Choice:
        form = part_form_from(typed(frames="300x400", **change), AT_HAND, METRIC)
        of = question_of(form, heat, services.shop, None)
        return choose(heat.case.polymer, of.mold.mold, of.equipment, of.wanted_m)

    assert choice().method == "bubble"
    low = choice(rack_mm=100)
    assert low.bubble is not None
    assert low.bubble.drop_m == pytest.approx(0.08)  # a quarter more than the drop has room
    no_room = choice(oven_wide_mm=400, oven_deep_mm=400)
    assert no_room.method is None
    assert "does not go into the oven" in str(no_room.against["bubble"][0].text)
    assert "no vacuum" in str(choice(vacuum="no").against["bubble"][0].text)


def test_a_lab_lead_keeps_what_is_at_hand_for_the_workshop(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text('name = "Test"\n', encoding="utf-8")
    shop = read_shop(tmp_path)
    services = replace(plain_services(), shop=shop)
    kit = {**kit_values(AT_HAND, METRIC), "rack_mm": 310}
    assert keeping(services, kit, METRIC) == "Kept in equipment.toml: every part is worked out with it from now on."
    assert equipment_of(shop) == replace(AT_HAND, rack_m=0.31)
    words = keeping(services, {**kit, "rack_mm": None, "frames": ""}, METRIC)
    assert "The file before it is kept as earlier/equipment-until-" in words
    assert equipment_of(shop) == replace(AT_HAND, rack_m=None, openings_m=())
    assert keeping(services, {**kit, "rack_mm": 5}, METRIC).startswith("Room below the frame 5: expected")
    assert "read-only" in keeping(plain_services(), kit, METRIC)


def test_only_a_lab_lead_may_keep_it(tmp_path: Path) -> None:
    accounts = accounts_in(tmp_path)
    app = make_app(replace(plain_services(), accounts=accounts))
    by_technician, by_lead = Visitor(app), Visitor(app)
    for visitor, name, role in ((by_technician, "Tam", TECHNICIAN), (by_lead, "Lea", LEAD)):
        account(accounts, name, role)
        visitor.sign_in(name)
        visitor.get("/plan")
    (output,) = [one for one in app.callback_map if one.startswith("..part-kept.children")]
    call = keep_call(output)
    assert by_technician.call(call).status_code == 403
    assert "read-only" in by_lead.call(call).get_data(as_text=True)  # it is the demo shop's
    assert "part-keep" in by_lead.call(shell_call("/plan")).get_data(as_text=True)
    assert "part-keep" not in by_technician.call(shell_call("/plan")).get_data(as_text=True).replace("part-kept", "")


def keep_call(output: str) -> dict[str, Any]:
    """What a browser sends when the button is pressed."""
    values = kit_values(AT_HAND, METRIC)
    part = {name: {"id": f"part-{name}", "property": "data" if name in KIT_KEPT else "value", "value": values[name]}
            for name in (*KIT_KEPT, *KIT_TYPED)}  # fmt: skip
    return {
        "output": output,
        "outputs": [{"id": "part-kept", "property": "children"}, {"id": "said", "property": "children"}],
        "inputs": [{"id": "part-keep", "property": "n_clicks", "value": 1}],
        "changedPropIds": ["part-keep.n_clicks"],
        "state": [*part.values(), {"id": "plan-units", "property": "data", "value": "metric"}],
    }


# ---------------------------------------------------------------- files that are sent


def sent(visitor: Visitor, content: bytes, name: str, token: str | None = None, **how: str) -> Any:
    headers = {"X-CSRFToken": visitor.token if token is None else token}
    query = {"name": name, **how}
    answer = visitor._client.post("/plan/mold", data=content, headers=headers, query_string=query)
    answer.get_data()
    return answer


@pytest.fixture(scope="module")
def visitor(services: Services) -> Visitor:
    found = Visitor(make_app(services))
    found.get("/plan")
    return found


def test_girths_as_files_fill_the_table(visitor: Visitor) -> None:
    toml = (DEMO_FOLDER / "molds" / "below-knee.toml").read_bytes()
    found = sent(visitor, toml, "below-knee.toml").get_json()
    assert found["rows"][0] == ["30", "210"]
    assert len(found["rows"]) == 7
    assert (found["distal"], found["mesh"], found["name"]) == ("round", "", "Below knee, invented")
    csv = sent(visitor, b"level_in,girth_in\n1,8\n2,10\n", "limb.csv", distal="flat").get_json()
    assert csv["rows"] == [["25.4", "203.2"], ["50.8", "254"]]
    assert csv["distal"] == "flat"


def stl(places: Any, faces: Any) -> bytes:
    """A mesh as a binary STL, as the format's description has it."""
    triangles = np.zeros(len(faces), [("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("more", "<u2")])
    triangles["corner"] = np.asarray(places, float)[np.asarray(faces)]
    return b"\0" * 80 + np.uint32(len(faces)).tobytes() + triangles.tobytes()


def test_an_open_mesh_is_measured_and_its_hole_said(visitor: Visitor) -> None:
    places, faces = limb()
    torn = np.delete(np.asarray(faces), np.s_[len(faces) // 2 : len(faces) // 2 + 6], axis=0)
    found = sent(visitor, stl(places, torn), "scan.stl", unit="mm").get_json()
    assert "wrong" not in found, found
    assert any("hole" in one for one in found["notes"])
    assert found["mesh"]
    assert len(found["rows"]) > 5


def as_file(kind: str, places: Any, faces: Any, folder: Path) -> bytes:
    """A mesh as a file of this kind."""
    write = {".stl": write_stl, ".obj": write_obj, ".ply": write_ply}[kind]
    return write(folder / f"limb{kind}", np.asarray(places, float), faces).read_bytes()


@pytest.mark.parametrize("kind", [".stl", ".obj", ".ply"])
def test_a_mesh_of_each_kind_fills_the_table_and_gives_sectors(
    visitor: Visitor, services: Services, tmp_path: Path, kind: str
) -> None:
    """The girths that come back are those of the shape it was made as: circles of 40 to 60 mm radius (mold_meshes)."""
    places, faces = limb(around=32, along=30)
    found = sent(visitor, as_file(kind, places, faces, tmp_path), f"limb{kind.upper()}").get_json()
    assert "wrong" not in found, found
    level, girth = (float(cell) for cell in found["rows"][-1])
    assert level == pytest.approx(250.0, abs=0.5)
    assert girth == pytest.approx(2.0 * np.pi * 60.0, rel=5e-3)  # a polygon of 32 sides is 0.2 % under its circle
    assert found["name"] == "limb"
    inches = sent(visitor, as_file(kind, places / 25.4, faces, tmp_path), f"limb{kind}", unit="in").get_json()
    assert float(inches["rows"][-1][1]) == pytest.approx(girth, rel=1e-3)


@pytest.mark.parametrize("kind", [".stl", ".obj", ".ply"])
def test_a_bad_mesh_of_each_kind_is_refused_or_its_faults_are_said(visitor: Visitor, tmp_path: Path, kind: str) -> None:
    places, faces = limb(around=24, along=16)
    name = f"scan{kind}"
    whole = as_file(kind, places, faces, tmp_path)
    inches = sent(visitor, as_file(kind, places / 25.4, faces, tmp_path), name, unit="mm").get_json()["wrong"]
    assert "9.843 in (250\u00a0mm)" in inches or "9.843\u00a0in (250\u00a0mm)" in inches, inches
    assert "meant? Say that unit" in inches
    unclear = sent(visitor, as_file(kind, places / 25.4, faces, tmp_path), name).get_json()["wrong"]
    assert "may be" in unclear
    assert "say which with the unit" in unclear
    torn = np.delete(np.asarray(faces), np.s_[len(faces) // 2 : len(faces) // 2 + 6], axis=0)
    opened = sent(visitor, as_file(kind, places, torn, tmp_path), name, unit="mm").get_json()
    assert any("hole" in one for one in opened["notes"]), opened
    for content in (b"", b"\0" * 300, bytes(range(256)) * 4, whole[: len(whole) // 3], b"<html>no mesh</html>"):
        answer = sent(visitor, content, name)
        assert answer.status_code == 200
        said = answer.get_json()
        # A text that was cut off may still be a mesh: then what is missing is said.
        assert name in said.get("wrong", "").lower() or any("hole" in one for one in said.get("notes", [])), said
    other = {".stl": ".ply", ".ply": ".stl", ".obj": ".ply"}[kind]
    assert "wrong" in sent(visitor, whole, f"scan{other}").get_json()


def test_a_mesh_of_two_million_triangles_is_refused_at_once(visitor: Visitor) -> None:
    """As binary STL it has 100 MB; a page takes 25, which are read in time (the command takes it whole)."""
    assert LARGEST_BYTES < 84 + 50 * 2_000_000
    content = bytes(LARGEST_BYTES + 1)
    started = time.process_time()
    assert sent(visitor, content, "scan.stl").status_code == 413
    refused = time.process_time()
    places, faces = limb(around=500, along=499)  # half a million triangles, nearly 25 MB
    whole = stl(places, faces)
    assert 24_000_000 < len(whole) <= LARGEST_BYTES
    found = sent(visitor, whole, "scan.stl", unit="mm").get_json()
    assert "wrong" not in found, found
    read = time.process_time()
    assert refused - started < 0.1 * (read - refused), "it is refused before it is read"
    assert read - refused < 30.0


def test_sectors_are_drawn_with_their_numbers(services: Services, tmp_path: Path) -> None:
    """The mold unrolled: the cells say what the walls of the sectors say, in the picture and in words."""
    places, faces = limb(around=32, along=30, squash=0.8)
    mold = read_mold(write_stl(tmp_path / "limb.stl", places, faces), "mm")
    equipment = Equipment(openings_m=((0.3,),))
    part = making(mold, choose(services.shop.polymer("petg"), mold.mold, equipment, None, 0.008), OnTheMold(22.0), None,
                  None)  # fmt: skip
    figure = sector_figure(part, METRIC)
    (cells,) = figure["data"]
    assert len(part.sectors) == len(set(cells["x"])) == 8
    assert figure["layout"]["yaxis"]["ticktext"][0] == "tip"
    for column, wall in enumerate(part.sectors):
        last = wall.places[-1].wall_m * 1e3
        assert cells["marker"]["color"][column - 8] == pytest.approx(last, abs=1e-3)
        assert cells["text"][column - 8] == f"{last:.1f}"
        assert cells["x"][column - 8] == cells["x"][column]
    words = said_in(part_answer(part, METRIC, "", "", [])).replace("\u00a0", " ")
    assert "as if the whole mold were round with that sector's radius" in words
    for name, wall in zip(sector_names(part), part.sectors, strict=True):
        assert f"Sector {name} thinnest {wall.thinnest.wall_m * 1e3:.1f} mm" in words
    assert made_without_sectors(part) == "not told: one lies beyond the frame, or is empty in the mesh"


def made_without_sectors(part: Making) -> str:
    return dict(wall_rows(replace(part, sectors=()), METRIC))["Sectors"]


@pytest.mark.parametrize(
    ("content", "name", "how", "words"),
    [
        (b"level_mm = [30, 60]\ngirth_mm = [-210, 255]", "a.toml", {}, "girth -210 mm at level 30 mm"),
        (b"level_mm,girth_mm\n60,210\n30,255\n", "a.csv", {}, "put them in order"),
        (b"level_mm,girth_mm\n1.2,8.3\n2.4,10\n", "a.csv", {}, "was 10"),
        (b"solid nothing\nendsolid\n", "a.stl", {}, "a.stl"),
        (b"\0" * 400, "a.stl", {}, "a.stl"),
        (b"MZ\x90\0", "virus.exe", {}, "expected girths as .toml or .csv, or a mesh"),
        (b"x = 1", "../../../etc/passwd.toml", {}, "Passwd.toml"),
        (b"x", "a.stl", {"unit": "furlong"}, "unit 'furlong': expected one of"),
        (b"x", "a.stl", {"axis": "w"}, "axis 'w': expected one of x, y, z"),
        (b"x", "a.csv", {"distal": "odd"}, "distal end 'odd'"),
        (b"\xff\xfe", EVIL + ".csv", {}, "not UTF-8"),
    ],
)
def test_a_bad_file_is_refused_with_its_reason(
    visitor: Visitor, content: bytes, name: str, how: dict[str, str], words: str
) -> None:
    answer = sent(visitor, content, name, **how)
    assert answer.status_code == 200
    assert words.lower() in answer.get_json()["wrong"].replace("\u00a0", " ").lower()
    assert "<script" not in answer.get_json()["wrong"]


def test_files_are_limited_and_need_the_token(visitor: Visitor) -> None:
    assert sent(visitor, b"x = 1", "a.toml", token="forged").status_code == 400
    assert sent(visitor, bytes(1_000_001), "a.csv").status_code == 200  # larger than other requests may be
    assert sent(visitor, bytes(LARGEST_BYTES + 1), "a.stl").status_code == 413
    headers = {"X-CSRFToken": visitor.token}
    assert visitor._client.post("/_dash-update-component", data=b"x" * 1_000_001, headers=headers).status_code == 413


def test_strangers_send_and_get_nothing(tmp_path: Path) -> None:
    stranger = Visitor(make_app(replace(plain_services(), accounts=accounts_in(tmp_path))))
    stranger.get("/sign-in")
    assert sent(stranger, b"x = 1", "a.toml").status_code == 401
    for path in ("/plan/part/card.pdf", "/plan/part/pattern.svg"):
        assert stranger.get(path).headers["Location"].startswith("/sign-in")


def test_names_of_files_are_made_safe() -> None:
    assert safe_name("C:\\scans\\leg <1>.STL") == "leg _1_.STL"
    assert safe_name("../..") == "mold"
    assert safe_name("x" * 500 + ".stl") == "x" * 80 + ".stl"


# ---------------------------------------------------------------- worked out


def test_walls_are_not_computed_anew_for_another_setting(services: Services) -> None:
    """What to take is worked out once; oven, temperatures and plaster change the rest alone."""
    asked: list[str] = []
    done: list[str] = []

    class Counting(Planner):
        def answer(self, key: str, job: Any, *given: object) -> Any:
            def counted(*more: object) -> str:
                done.append(job.__name__)
                return str(job.__name__)

            asked.append(job.__name__)
            return super().answer(key, counted, *given)

    parts = Parts(Counting())
    for set_c, plaster in ((185.0, "dry"), (190.0, "dry"), (190.0, "damp"), (190.0, "damp")):
        heat = heat_question(replace(HEAT, set_c=set_c), services.shop, services.today())
        parts.made(question_of(replace(FORM, plaster=plaster), heat, services.shop, None))
    assert asked == ["_choice", "_made"] * 4
    assert sorted(done) == ["_choice", "_made", "_made", "_made"]
    with pytest.raises(InputError, match="open its file again"):
        parts.mesh("0" * 24)


def test_the_wall_is_drawn_with_its_numbers(made: Making) -> None:
    figure = profile_figure(made, METRIC)
    assert made.choice.bubble is not None
    wall = made.choice.bubble.wall
    body, line = figure["data"]
    assert max(body["x"]) == pytest.approx(345.0 / (2.0 * np.pi), rel=1e-6)  # the largest girth as a circle
    assert line["customdata"][: len(wall.wall_m)] == pytest.approx(wall.wall_m * 1e3, abs=1e-4)
    words = [one["text"] for one in figure["layout"]["annotations"]]
    low, high = wall.thinnest.interval_m
    assert f"<b>thinnest {wall.thinnest.wall_m * 1e3:.1f}<br>({low * 1e3:.1f} to {high * 1e3:.1f})</b>" in words
    assert len(words) >= 6
    inches = [one["text"] for one in profile_figure(made, US)["layout"]["annotations"]]
    assert any(one.startswith(f"<b>thinnest {wall.thinnest.wall_m / 25.4e-3:.3f}") for one in inches)


def test_blanks_are_drawn_to_scale(made: Making, draped: Making) -> None:
    for one, length in ((made, 450.0), (draped, None)):
        figure = blank_figure(one, METRIC)
        outline = figure["data"][0]
        assert figure["layout"]["yaxis"]["scaleanchor"] == "x"
        if length is None:
            assert one.choice.drape is not None
            length = one.choice.drape.blank.length_m * 1e3
            width = one.choice.drape.blank.breadth_m * 1e3
            assert max(outline["x"]) - min(outline["x"]) == pytest.approx(width)
        assert max(outline["y"]) - min(outline["y"]) == pytest.approx(length)


def test_one_line_of_time_from_oven_to_demolding(made: Making, draped: Making) -> None:
    oven, carry, mold = legs(made, METRIC)
    plan, cooling = made.plan, made.cooling
    assert plan is not None
    assert cooling is not None
    assert plan.carry is not None
    assert (oven.stretches[0].from_s, oven.stretches[0].to_s) == (plan.opens.time_s, plan.closes.time_s)
    assert oven.from_s < oven.stretches[0].from_s < (oven.moments[0].at_s or 0.0) < oven.end_s
    assert carry.stretches[0].to_s == plan.carry.formable_s
    shortest = min(one.carry.formable_s for one in plan.carries if one.carry.formable_s is not None)
    assert carry.stretches[1].to_s == shortest
    assert mold.moments[0].at_s == cooling.strip_s
    assert mold.moments[-1].words == "demold after 24 h"
    assert [leg.title for leg in legs(draped, US)] == ["On the mold"]


def said_in(part: Any) -> str:
    if isinstance(part, list | tuple):
        return " ".join(said_in(one) for one in part)
    return part if isinstance(part, str) else said_in(getattr(part, "children", None) or "")


def test_the_answer_says_what_the_command_says(made: Making) -> None:
    words = said_in(part_answer(made, METRIC, "a=1", "b=2", ["noted"])).replace("\u00a0", " ")
    for needed in (
        "Pull a bubble: Polyethylene, high density, 10.0 mm", "opening 300 mm by 400 mm", "Thinnest",
        "too thick to drape",
        "24 hours on the mold, the instruction that stands", "not this tool's advice", "gloves", "Noted",
    ):  # fmt: skip
        assert needed in words


def test_a_part_that_cannot_be_says_why(services: Services, made: Making) -> None:
    choice = choose(services.shop.polymer("hdpe"), made.choice.mold, Equipment(vacuum=False), 0.005)
    assert isinstance(choice, Choice)
    neither = making(made.mold, choice, OnTheMold(22.0), None, None)
    words = said_in(part_answer(neither, METRIC, "", "", []))
    assert "Neither way can be done" in words
    assert "There is no vacuum" in words


def test_a_name_is_text_on_paper_too(draped: Making) -> None:
    """Neither mathematics nor a script: what stands between dollar signs broke the drawing."""
    assert draped.choice.drape is not None
    svg = pattern_file(draped.choice.drape.blank, ".svg", EVIL, METRIC).decode()
    assert "<script" not in svg
    assert "$\\frac{1}{$" in svg
    assert card_file(draped, ".pdf", METRIC).startswith(b"%PDF")


def test_no_form_has_a_name_that_cannot_be_printed() -> None:
    assert part_form_from(typed(mold="Limb\x00\x1b 17" + "x" * 99), AT_HAND, METRIC).mold.startswith("Limb 17x")
    assert isinstance(form_of_query({"mold": "a\x00b"}), PartForm)
    assert form_of_query({"mold": "a\x00b"}).mold == "ab"
