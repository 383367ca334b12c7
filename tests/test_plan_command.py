"""`pullcue plan`: answer first, the same facts as JSON and as a picture, and one sentence for whatever is wrong."""

from __future__ import annotations

import datetime
import functools
import json
import pickle
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from dashboard import chart_library
from dashboard.commands import pullcue
from dashboard.commands.plan import plan as plan_command
from dashboard.commands.plan_inputs import Asked, question
from dashboard.commands.plan_text import plan_text
from dashboard.plan_advice import advice, cautions, changes
from dashboard.plan_drawing import picture_of
from dashboard.plan_measured import preheat_words
from dashboard.plan_words import (
    answer,
    between,
    drops_of_window_m,
    limit_words,
    note_words,
    percent,
    why_none,
)
from dashboard.shop import open_shop
from dashboard.units import Units
from logger.heatfile import write_heat
from thermal.case import Case
from thermal.fields import InputError
from thermal.heat import Event, Heat
from thermal.notes import Note, difference
from thermal.oven import Valid, oven_card_from_mapping
from thermal.plan import Edge, Plan
from thermal.plan import plan as plan_heat
from thermal.polymer import Dose
from thermal.polymer_data import shipped_polymer

#: An oven of ordinary size, invented for these tests, as the person's own file holds it.
CARD_TOML = """\
id = "kiln"
kind = "convection"
set_c = 185.0
[air]
offset_k = -3.0
door_drop_k = 40.0
recovery_s = 90.0
[wall]
offset_k = -5.0
lag_s = 300.0
[upper]
h_w_m2k = 18.0
emissivity_eff = 0.9
[lower]
h_w_m2k = 14.0
emissivity_eff = 0.9
"""
CARD = oven_card_from_mapping(
    {
        "id": "kiln",
        "kind": "convection",
        "set_c": 185.0,
        "air": {"offset_k": -3.0, "door_drop_k": 40.0, "recovery_s": 90.0},
        "wall": {"offset_k": -5.0, "lag_s": 300.0},
        "upper": {"h_w_m2k": 18.0, "emissivity_eff": 0.9},
        "lower": {"h_w_m2k": 14.0, "emissivity_eff": 0.9},
    },
    "kiln.toml",
)
SHEET = ("--polymer", "pp-homopolymer", "--gauge-mm", "6")
METRIC, US = Units(), Units("us")


@pytest.fixture(autouse=True, scope="module")
def planned_once() -> Iterator[None]:
    """A heat is planned once for all tests of this file, which takes most of their time."""
    made: dict[bytes, Plan] = {}

    def once(*asked: Any) -> Plan:
        key = pickle.dumps(asked)
        if key not in made:
            made[key] = plan_heat(*asked)
        return made[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("dashboard.commands.plan.plan_heat", once)
        yield


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, ["plan", *words])


def shown(result: Result) -> str:
    """What was printed, without its line ends."""
    assert result.exit_code == 0, result.output
    return " ".join(result.stdout.split())


def in_process(*words: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, as a person starts it."""
    script = "from dashboard.commands import main; main()"
    return subprocess.run(
        [sys.executable, "-X", "utf8", "-c", script, "plan", *words], capture_output=True, text=True, encoding="utf-8"
    )


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("oven") / "kiln.toml"
    path.write_text(CARD_TOML, encoding="utf-8")
    return str(path)


def as_json(*words: str) -> dict[str, Any]:
    """The object a command prints; NaN and Infinity are refused."""

    def refuse(name: str) -> None:
        raise AssertionError(f"{name} is no JSON")

    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    content: dict[str, Any] = json.loads(result.stdout, parse_constant=refuse)
    return content


@pytest.fixture(scope="module")
def ready(card: str) -> dict[str, Any]:
    """A heat with a window that opens and closes: a hot oven."""
    return as_json(*SHEET, "--oven-card", card, "--set-c", "230")


@pytest.fixture(scope="module")
def never(card: str) -> dict[str, Any]:
    """A heat whose core stays too cold."""
    return as_json(*SHEET, "--oven-card", card, "--set-c", "160")


def case_of(set_c: float) -> Case:
    return Case(shipped_polymer("pp-homopolymer"), 6e-3, CARD, set_c)


def planned(
    set_c: float = 185.0, drop_m: float | None = None, clearance_m: float | None = None, **changed: Any
) -> Plan:
    if not changed and drop_m is None and clearance_m is None:
        return plain(set_c)
    return plan_heat(replace(case_of(set_c), **changed), drop_m, clearance_m)


@functools.cache
def plain(set_c: float) -> Plan:
    return plan_heat(case_of(set_c))


# ---------------------------------------------------------------- the answer


def test_answer_comes_first_and_plain(card: str) -> None:
    result = run(*SHEET, "--oven-card", card, "--set-c", "230")
    assert result.exit_code == 0, result.output
    first, second = result.stdout.splitlines()[:2]
    assert first.startswith("Ready from")
    assert "90 of 100 times between" in first
    assert second.startswith("Pull at")
    headings = [line for line in result.stdout.splitlines() if line in ("Why", "Settings", "Advice", "Cautions")]
    assert headings == ["Why", "Settings", "Advice", "Cautions"]
    assert "\x1b" not in result.stdout


def test_only_the_answer_is_bold() -> None:
    text = plan_text(planned(230.0), METRIC, width=80)
    assert text.startswith("\x1b[1mReady from")
    assert "\x1b" not in text.split("\n\n", 1)[1]


def test_no_line_is_longer_than_the_terminal() -> None:
    text = plan_text(planned(opening_m=(0.3,)), METRIC, notes=("long " * 60,), width=60)
    plain = text.replace("\x1b[1m", "").replace("\x1b[0m", "")
    assert max(len(line) for line in plain.splitlines()) <= 60


def test_no_window_says_why_and_what_would_make_one(card: str) -> None:
    result = run(*SHEET, "--oven-card", card, "--set-c", "160")
    assert result.exit_code == 0
    assert result.stdout.startswith("No window")
    assert "does not reach 165 °C" in " ".join(result.stdout.split("\n\n")[0].split())
    assert "What would make one" in result.stdout
    assert "Set it higher" in result.stdout
    assert "stay well below it, it has no margin" in shown(result)
    assert "No help at this set temperature: heating both faces alike and a thinner sheet" in shown(result)


def test_face_that_is_spoilt_first_is_named() -> None:
    plan = planned(290.0)
    assert plan.spoilt_s is not None
    assert plan.ready_s is not None
    words = why_none(plan, METRIC)
    assert words.startswith(f"the upper face passes 200 °C at {METRIC.seconds(plan.spoilt_s)}")
    assert words.endswith(f"before the core reaches 165 °C at {METRIC.seconds(plan.ready_s)}")
    assert changes(plan, METRIC)[0].startswith("Set it lower")
    assert "; stay well below it, it has no margin" in changes(plan, METRIC)[0]


def test_face_that_was_hot_too_long_is_named() -> None:
    polymer = shipped_polymer("pp-homopolymer")
    dose = Dose(limit_s=120.0, reference_c=165.0, activation_j_mol=100_000.0)
    plan = planned(polymer=replace(polymer, forming=replace(polymer.forming, dose=dose)))
    assert plan.spoilt_by is not None
    assert limit_words(plan, plan.spoilt_by, US) == (
        "a face has been hot too long (it stands 2:00 at 329 °F, less where hotter)"
    )


def test_unsure_pull_goes_by_the_drop(card: str) -> None:
    words = (*SHEET, "--oven-card", card, "--opening-mm", "300", "--clearance-mm", "130")
    content = as_json(*words)
    assert content["target"]["probability"] < 0.5
    said = shown(run(*words))
    curve = content["curve"]
    known = [drop is not None for drop in curve["drop_mm"]].count(True)  # then it hangs as a sack
    at = (content["window"]["opens_s"], content["target"]["time_s"])
    ready, best = np.interp(at, curve["time_s"][:known], np.array(curve["drop_mm"][:known], float))
    assert f"Pull by the drop, from about {METRIC.length(ready * 1e-3)} to 130 mm" in said
    guess = METRIC.seconds(content["target"]["time_s"])
    assert f"not by the clock: best guess {guess} (about {METRIC.length(best * 1e-3)}), only" in said
    assert f"; drop about {METRIC.length(best * 1e-3)}" in said  # the state at the pull is that of the same drop


@pytest.fixture(scope="module")
def bubble() -> Plan:
    """A wanted drop that comes before the core is ready, and so uncertain a drop that no clock tells the pull."""
    return planned(opening_m=(0.3,), drop_m=0.08, clearance_m=0.13)


def test_the_wanted_drop_does_not_contradict_the_core(bubble: Plan) -> None:
    assert bubble.opens.limit == "core"
    pull = answer(bubble, METRIC)[1]
    low, high = drops_of_window_m(bubble)
    assert low is not None
    assert 0.08 < low < 0.13
    assert high == pytest.approx(0.13, abs=1e-12)
    assert pull.value == f"by the drop, from about {METRIC.length(low)} to 130 mm"
    assert "at the wanted 80.0 mm the core is not expected to be ready" in pull.detail


def test_a_wanted_drop_that_comes_last_opens_the_window() -> None:
    plan = planned(opening_m=(0.3,), drop_m=0.125, clearance_m=0.13)
    assert plan.opens.limit == "drop"
    pull = answer(plan, METRIC)[1]
    assert pull.value == "by the drop, from 125 mm to 130 mm"
    assert "not expected to be ready" not in pull.detail


def test_a_drop_that_nobody_sees_is_no_cue(bubble: Plan) -> None:
    flat = replace(bubble, curve=replace(bubble.curve, drop_mm=np.full_like(bubble.curve.time_s, 3.0)))
    assert answer(flat, METRIC)[1].value == "by the look of the bubble"
    without = replace(bubble, curve=replace(bubble.curve, drop_mm=None))
    assert answer(without, METRIC)[1].value == "by the look of the sheet"


def test_the_plot_tells_the_same_pull(bubble: Plan) -> None:
    pull = answer(bubble, METRIC)[1]
    assert picture_of(bubble, METRIC).title.startswith(f"Pull {pull.value} · ready from ")


def test_a_heat_that_is_over_is_told_as_over() -> None:
    folder = Path(__file__).parent.parent / "dashboard" / "demo_shop" / "heats"
    clock, drop = (shown(run("--measured", f"{folder}/{name}.csv")) for name in ("ember-copolymer-4mm", "north-pp-6mm"))
    assert "Pull would have been at " in clock
    assert "no moment would have been surer" in clock
    assert "At the pull would have been: core" in clock
    assert "Pull would have been by the drop, from about" in drop
    assert "look at the sheet before you pull" not in clock + drop


def test_us_units(card: str) -> None:
    result = run(*SHEET, "--oven-card", card, "--units", "us")
    assert "0.236 in (6.0 mm)" in result.stdout
    assert "329 °F" in result.stdout  # 165 °C
    assert "°C" not in result.stdout


def test_demo_shop() -> None:
    result = run(*SHEET, "--oven", "north")
    assert result.exit_code == 0, result.output
    assert open_shop(None).is_demo
    assert "invented example" in " ".join(result.stdout.split())


# ---------------------------------------------------------------- JSON


def test_json_has_the_promised_keys(ready: dict[str, Any]) -> None:
    window = ready["window"]
    assert 0 < window["opens_s"] < window["closes_s"]
    assert (window["opens_limit"], window["closes_limit"]) == ("core", "upper face")
    for edge in ("opens", "closes"):
        low, high = window[f"{edge}_interval_s"]
        assert low < window[f"{edge}_s"] < high
    assert 0 <= window["probability"] <= 1
    assert window["opens_s"] <= ready["target"]["time_s"]
    assert {"formable_s", "limit", "mean_c", "room_c"} <= ready["carry"].keys()
    assert ready["options"].keys() == {"highest_set", "both_faces", "thinner"}
    for name in ("advice", "cautions", "notes"):
        assert ready[name]
        assert all(isinstance(sentence, str) for sentence in ready[name])
    assert ready["comparison"] is None
    inputs = ready["inputs"]
    assert (inputs["polymer"], inputs["gauge_mm"], inputs["oven"], inputs["set_c"]) == (
        "pp-homopolymer",
        6,
        "kiln",
        230,
    )
    assert inputs["opening_mm"] is None
    assert inputs["versions"]["polymer"] == shipped_polymer("pp-homopolymer").version


def test_json_curve_agrees_with_the_window(ready: dict[str, Any]) -> None:
    curve, window, inputs = ready["curve"], ready["window"], ready["inputs"]
    lengths = {len(values) for values in curve.values()}
    assert len(lengths) == 1
    assert set(curve["drop_mm"]) == {None}
    core = np.interp(window["opens_s"], curve["time_s"], curve["core_c"])
    assert core == pytest.approx(inputs["core_min_c"], abs=0.1)
    face = np.interp(window["closes_s"], curve["time_s"], curve["face_upper_c"])
    assert face == pytest.approx(inputs["face_max_c"], abs=0.1)


def test_json_drop(card: str) -> None:
    content = as_json(*SHEET, "--oven-card", card, "--opening-mm", "300x200", "--drop-mm", "40")
    assert content["inputs"]["opening_mm"] == [300, 200]
    assert content["inputs"]["drop_mm"] == 40
    drops = content["curve"]["drop_mm"]
    known = [drop for drop in drops if drop is not None]
    assert drops == known + [None] * (len(drops) - len(known))  # nothing is said of a sheet that hangs as a sack
    assert max(known) > 40


def test_json_null_where_there_is_no_such_time(never: dict[str, Any]) -> None:
    window = never["window"]
    for name in ("opens_s", "closes_s", "opens_limit", "closes_limit", "ready_s", "spoilt_s"):
        assert window[name] is None
    assert window["closes_interval_s"] == [None, None]
    assert never["target"] is None
    assert never["carry"] is None
    assert never["at_target"] is None
    assert max(never["curve"]["core_c"]) < never["inputs"]["core_min_c"]
    assert never["options"]["highest_set"]["set_c"] > 160


def test_set_on_the_line_wins_over_the_card(card: str, ready: dict[str, Any]) -> None:
    by_card = as_json(*SHEET, "--oven-card", card)
    assert by_card["inputs"]["set_c"] == 185
    assert ready["inputs"]["set_c"] == 230
    assert ready["window"]["opens_s"] < by_card["window"]["opens_s"]
    with_unit = as_json(*SHEET, "--oven-card", card, "--set", "446F")  # 230 °C by definition of °F
    assert with_unit["inputs"]["set_c"] == pytest.approx(230, abs=1e-9)
    assert with_unit["window"] == ready["window"]


def test_gauge_with_its_unit(card: str) -> None:
    content = as_json("--polymer", "petg", "--gauge", "3/16in", "--oven-card", card)
    assert content["inputs"]["gauge_mm"] == 4.763  # 4.7625 mm by definition of the inch


# ---------------------------------------------------------------- what is refused

NORTH = (*SHEET, "--oven", "north")
KILN = ("--oven-card", "CARD")
REFUSED = {
    "negative gauge": (("--polymer", "petg", "--gauge-mm", "-3", *KILN), "--gauge-mm -3: expected"),
    "gauge of 12 m": (("--polymer", "petg", "--gauge-mm", "12000", *KILN), "12000: expected"),
    "gauge in metres": (("--polymer", "petg", "--gauge-mm", "0.006", *KILN), "0.006 m is 6 mm"),
    "gauge nan": (("--polymer", "petg", "--gauge-mm", "nan", *KILN), "--gauge-mm nan"),
    "gauge inf": (("--polymer", "petg", "--gauge-mm", "inf", *KILN), "--gauge-mm inf"),
    "gauge no number": (("--polymer", "petg", "--gauge-mm", "thick", *KILN), "'thick' is not a valid float"),
    "gauge without unit": (("--polymer", "petg", "--gauge", "5", *KILN), "--gauge: 5 has no unit"),
    "gauge twice": ((*SHEET, "--gauge", "6mm", *KILN), "either --gauge-mm or --gauge"),
    "no gauge": (("--polymer", "petg", *KILN), "--gauge-mm or --gauge is missing"),
    "no polymer": (("--gauge-mm", "6", *KILN), "--polymer or --polymer-file is missing"),
    "no oven": (SHEET, "--oven or --oven-card is missing"),
    "oven twice": ((*NORTH, *KILN), "either --oven or --oven-card"),
    "unknown polymer": (("--polymer", "pp-homopolimer", "--gauge-mm", "6", *KILN), "pp-homopolymer"),
    "unknown oven": ((*SHEET, "--oven", "nroth"), "north"),
    "set in kelvin": ((*SHEET, *KILN, "--set-c", "458"), "458 K is 185 °C"),
    "set in Fahrenheit": ((*SHEET, *KILN, "--set-c", "365"), "365 °F is 185 °C"),
    "set nan": ((*SHEET, *KILN, "--set-c", "nan"), "--set-c nan"),
    "set without unit": ((*SHEET, *KILN, "--set", "185"), "--set: 185 has no unit"),
    "set twice": ((*SHEET, *KILN, "--set", "185C", "--set-c", "185"), "either --set-c or --set"),
    "start in kelvin": ((*SHEET, *KILN, "--start-c", "295"), "295 K is 22 °C"),
    "start inf": ((*SHEET, *KILN, "--start-c", "inf"), "--start-c inf"),
    "room in Fahrenheit": ((*SHEET, *KILN, "--room-c", "72"), "72 °F is 22 °C"),
    "opening not understood": ((*SHEET, *KILN, "--opening-mm", "300y200"), "--opening-mm '300y200'"),
    "opening too small": ((*SHEET, *KILN, "--opening-mm", "3x300"), "each a number at least 20"),
    "drop without opening": ((*SHEET, *KILN, "--drop-mm", "80"), "needs the frame's opening"),
    "drop out of reach": ((*SHEET, *KILN, "--opening-mm", "300", "--drop-mm", "400"), "at most 180 mm"),
    "drop negative": ((*SHEET, *KILN, "--opening-mm", "300", "--drop-mm", "-5"), "--drop-mm -5"),
    "drop on a tray": ((*SHEET, *KILN, "--support", "tray", "--drop-mm", "40"), "a sheet on a tray does not drop"),
    "no room for the drop": (
        (*SHEET, *KILN, "--opening-mm", "300", "--drop-mm", "80", "--clearance-mm", "70"),
        "clearance 70 mm is less",
    ),
    "no tray on the card": ((*SHEET, *KILN, "--support", "tray"), "needs the tray's data"),
    "broken TOML": ((*SHEET, "--oven-card", "BROKEN"), "broken.toml"),
    "impossible oven": ((*SHEET, "--oven-card", "IMPOSSIBLE"), "emissivity_eff = 1.9"),
    "oven set in kelvin": ((*SHEET, "--oven-card", "KELVIN"), "set_c of oven card kiln 385"),
    "broken polymer": (("--polymer-file", "BROKEN", "--gauge-mm", "6", *KILN), "broken.toml"),
    "no such card": ((*SHEET, "--oven-card", "nowhere.toml"), "nowhere.toml"),
    "no such heat": ((*SHEET, *KILN, "--measured", "nowhere.csv"), "nowhere.csv"),
    "plot of no known kind": ((*SHEET, *KILN, "--plot", "plan.pdf"), "ends in .html, .png or .svg"),
    "plot without a name": ((*SHEET, *KILN, "--plot", ""), "--plot names no file"),
    "plot nowhere": ((*SHEET, *KILN, "--plot", "NOWHERE/plan.png"), "No such file or directory"),
    "page nowhere": ((*SHEET, *KILN, "--plot", "NOWHERE/plan.html"), "No such file or directory"),
    "unknown option": ((*SHEET, *KILN, "--gage", "6"), "--gage"),
}


@pytest.mark.parametrize(("words", "said"), REFUSED.values(), ids=REFUSED.keys())
def test_refusals_are_one_sentence(words: tuple[str, ...], said: str, card: str, tmp_path: Path) -> None:
    files = {
        "BROKEN": ("broken.toml", CARD_TOML.replace("kind =", "kind")),
        "IMPOSSIBLE": ("impossible.toml", CARD_TOML.replace("emissivity_eff = 0.9", "emissivity_eff = 1.9", 1)),
        "KELVIN": ("kelvin.toml", CARD_TOML.replace("185.0", "385.0")),
    }
    for name, text in files.values():
        (tmp_path / name).write_text(text, encoding="utf-8")
    known = {"CARD": card, **{key: str(tmp_path / name) for key, (name, _) in files.items()}}
    result = run(*(known.get(word, word.replace("NOWHERE", str(tmp_path / "nowhere"))) for word in words))
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert said in result.stderr
    assert "Traceback" not in result.stderr


def test_refusal_as_a_person_meets_it() -> None:
    result = in_process("--polymer", "pp-homopolymer", "--gauge-mm", "-3", "--oven", "north")
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr == "pullcue: --gauge-mm -3: expected a number at least 0.3 and at most 50 mm\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full: a file that takes nothing is Linux's")
def test_an_answer_that_cannot_be_written_is_one_sentence() -> None:
    script = "from dashboard.commands import main; main()"
    with open("/dev/full", "w") as full:
        words = [sys.executable, "-X", "utf8", "-c", script, "plan", *SHEET, "--oven", "north"]
        result = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, encoding="utf-8")
    assert result.returncode == 2
    assert result.stderr.startswith("pullcue: the answer cannot be written: No space left on device")
    assert result.stderr.count("\n") == 1


def test_no_preheat_is_no_row() -> None:
    oven = replace(CARD, wall_lag_s=0.0, recovery_s=0.0)
    assert planned(oven=oven).preheat_s == 0.0
    assert "Preheat" not in plan_text(planned(oven=oven), METRIC)
    assert "Preheat" in plan_text(planned(), METRIC)


def test_every_option_reaches_the_question() -> None:
    elsewhere = {"units", "shop", "as_json", "plot_file"}
    assert {field.name for field in fields(Asked)} == {param.name for param in plan_command.params} - elsewhere


def test_a_plain_run_imports_nothing_heavy(card: str) -> None:
    script = (
        "import sys; from dashboard.commands import pullcue; "
        "pullcue.main(sys.argv[1:], standalone_mode=False); print(*sys.modules, file=sys.stderr)"
    )
    words = [sys.executable, "-X", "utf8", "-c", script, "plan", *SHEET, "--oven-card", card]
    result = subprocess.run(words, capture_output=True, text=True, encoding="utf-8", check=True)
    assert result.stdout.startswith("Ready from")
    loaded = {name.split(".")[0] for name in result.stderr.split()}
    assert "numpy" in loaded
    assert loaded & {"matplotlib", "plotly", "pandas", "rich"} == set()
    assert not [name for name in result.stderr.split() if name.startswith("scipy.optimize")]


# ---------------------------------------------------------------- a recorded heat


@pytest.fixture(scope="module")
def heat_file(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A heat whose core stays 10 K warmer than its air could make it: nothing a model would say."""
    time = np.arange(-30.0, 1500.0, 10.0)
    air = np.full_like(time, 180.0)
    core = 22.0 + 150.0 * (1.0 - np.exp(-np.maximum(time, 0.0) / 300.0))
    heat = Heat(
        time_s=time,
        columns={"air_upper_c": air, "air_lower_c": air, "core_c": core},
        polymer="pp-homopolymer",
        gauge_m=6e-3,
        support="frame",
        start_c=22.0,
        set_c=183.0,
    )
    path = tmp_path_factory.mktemp("heat") / "heat.csv"
    write_heat(heat, path)
    return str(path)


def test_measured_heat_states_what_the_line_leaves_out(card: str, heat_file: str) -> None:
    content = as_json("--measured", heat_file, "--oven-card", card)
    inputs = content["inputs"]
    assert (inputs["polymer"], inputs["gauge_mm"], inputs["set_c"]) == ("pp-homopolymer", 6, 183)
    assert inputs["air"] == "recorded"
    assert content["curve"]["air_c"][0] == pytest.approx(180.0, abs=0.01)
    (core,) = content["comparison"]
    assert core["name"] == "core_c"
    lengths = {len(core[name]) for name in ("time_s", "measured_c", "predicted_c", "p05_c", "p95_c")}
    assert lengths == {150}  # every 10 s from 0 to 1490 s
    assert core["words"] in " ".join(run("--measured", heat_file, "--oven-card", card).stdout.split())


def test_line_wins_over_the_heat_file_and_says_so(card: str, heat_file: str) -> None:
    content = as_json("--measured", heat_file, "--oven-card", card, "--gauge-mm", "5")
    assert content["inputs"]["gauge_mm"] == 5
    assert "The heat file states gauge 6.0 mm; planned with 5.0 mm" in content["notes"]


# ---------------------------------------------------------------- a polymer without viscosity


def test_opening_of_a_polymer_without_viscosity_is_planned_without_drop() -> None:
    words = ("--polymer", "quillmere-flex", "--gauge-mm", "4", "--oven", "north", "--set-c", "150")
    plain, wide = as_json(*words), as_json(*words, "--opening-mm", "300")
    assert wide["window"] == plain["window"]
    assert set(wide["curve"]["drop_mm"]) == {None}
    assert "Polymer quillmere-flex has no [viscosity]: the drop is not predicted" in wide["notes"]
    assert not [note for note in wide["notes"] if "No opening stated" in note]


@pytest.mark.parametrize("option", ["--drop-mm", "--clearance-mm"])
def test_drop_of_a_polymer_without_viscosity_is_refused(option: str) -> None:
    words = ("--polymer", "quillmere-flex", "--gauge-mm", "4", "--oven", "north", "--opening-mm", "300")
    result = run(*words, option, "40")
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
    assert "quillmere-flex: without [viscosity] the drop cannot be predicted" in result.stderr


def test_forming_limits_without_stated_uncertainty_count_as_known_to_a_few_kelvin() -> None:
    """0.03 of the Celsius value, as trade pages differ (estimate); not the 25 % of other estimated values."""
    forming = open_shop(None).polymer("quillmere-flex").forming
    assert forming.provenance.rel_std == 0.03
    shown = CliRunner().invoke(pullcue, ["polymers", "quillmere-flex"]).stdout
    assert "±3 % of the °C" in shown


# ---------------------------------------------------------------- notes in the units asked for


def test_notes_come_in_the_units_asked_for() -> None:
    oven = replace(CARD, valid=Valid(set_c=(150.0, 210.0), gauge_mm=(2.0, 5.0)))
    notes = planned(230.0, oven=oven).notes
    metric, us = ([note_words(note, units) for note in notes] for units in (METRIC, US))
    assert "Set 230 °C is outside what the oven card was found for (150 °C to 210 °C): less sure" in "\n".join(metric)
    # 230, 150, 210 °C are 446, 302, 410 °F; 6, 2, 5 mm are 0.236, 0.079, 0.197 in, by definition of both units.
    assert "Set 446 °F is outside what the oven card was found for (302 °F to 410 °F)" in "\n".join(us)
    assert "Gauge 0.236 in (6.0 mm) is outside" in "\n".join(us)
    assert "(0.079 in (2.0 mm) to 0.197 in (5.0 mm))" in "\n".join(us)
    assert "°C" not in "\n".join(us)


def test_braces_in_a_name_stay() -> None:
    assert note_words(Note("polymer {x} {1} by {0}", (difference(20.0),)), US) == "polymer {x} {1} by 36 °F"


# ---------------------------------------------------------------- the oven before the sheet


def preheat_of(card: str, path: Path, slope_k_min: float = 0.0, above_k: float = 0.0, rows: int = 37) -> dict[str, Any]:
    """What is said of a heat whose air was so in the 6 min before the door opened, 9 s before the sheet went in."""
    time = np.concatenate([np.linspace(-10.0 * rows, -10.0, rows), np.arange(-8.0, 600.0, 2.0)])
    air = 182.0 + above_k + slope_k_min * np.minimum(time + 10.0, 0.0) / 60.0 - 40.0 * (time > -9.0)
    heat = Heat(
        time_s=time,
        columns={"air_upper_c": air},
        events=(Event(-9.0, "door_open"), Event(3.0, "door_closed")),
        polymer="pp-homopolymer",
        gauge_m=6e-3,
        set_c=185.0,
    )
    write_heat(heat, path)
    content = as_json("--measured", str(path), "--oven-card", card)
    found: dict[str, Any] = content["preheat"]
    assert content["comparison_words"].startswith("Nothing to compare")
    return found


def test_oven_that_was_steady(card: str, tmp_path: Path) -> None:
    """The card's air is 3 K below the set temperature, so that 182 °C is what it expects."""
    found = preheat_of(card, tmp_path / "heat.csv", slope_k_min=0.2)
    assert found["words"] in shown(run("--measured", str(tmp_path / "heat.csv"), "--oven-card", card))
    assert found["steady"] is True
    assert found["drift_k_min"] == pytest.approx(0.2, abs=1e-6)
    assert found["departure_k"] == pytest.approx(-0.2 * 2.5, abs=1e-6)  # mean of the last 5 min
    assert found["words"] == (
        "Oven steady when the sheet went in: its air drifted by 0.2 K a minute; 0.5 K below what the oven card expects"
    )


@pytest.mark.parametrize(("slope", "word"), [(1.5, "rising"), (-1.5, "falling")])
def test_oven_that_was_still_moving(card: str, tmp_path: Path, slope: float, word: str) -> None:
    found = preheat_of(card, tmp_path / "heat.csv", slope_k_min=slope)
    assert found["steady"] is False
    assert f"Oven not steady when the sheet went in: its air still {word} by 1.5 K a minute" in found["words"]


def test_oven_that_was_steady_elsewhere(card: str, tmp_path: Path) -> None:
    found = preheat_of(card, tmp_path / "heat.csv", above_k=9.0)
    assert found["steady"] is False
    assert found["words"] == ("Oven steady when the sheet went in, but its air 9.0 K above what the oven card expects")


def test_oven_of_which_too_little_is_known(card: str, tmp_path: Path, heat_file: str) -> None:
    found = preheat_of(card, tmp_path / "heat.csv", rows=4)
    assert found["steady"] is None
    assert "too few readings of its air before" in found["words"]


def test_oven_of_which_nothing_is_known() -> None:
    assert preheat_words(None, METRIC).endswith("the air before it was not recorded")


def test_walls_start_as_warm_as_the_preheat_left_them(card: str, tmp_path: Path) -> None:
    """Walls with a lag of 300 s cannot follow the air that falls by 40 K as the door opens."""
    preheat_of(card, tmp_path / "heat.csv")
    content = as_json("--measured", str(tmp_path / "heat.csv"), "--oven-card", card)
    # Exact: walls 2 K below the air (card), fallen for 8 to 10 s: 180 - 40 (1 - exp(-9/300)) is 178.8 °C.
    assert content["curve"]["wall_c"][0] == pytest.approx(178.8, abs=0.4)


# ---------------------------------------------------------------- pictures


def test_page_is_one_file_with_the_answer_in_words(card: str, tmp_path: Path) -> None:
    path = tmp_path / "plan.html"
    result = run(*SHEET, "--oven-card", card, "--set-c", "230", "--plot", str(path))
    assert f"Plot written to {path}" in result.stdout
    page = path.read_text(encoding="utf-8")
    assert "<title>Pull at " in page
    assert r"core at least 165 \u00b0C" in page  # as the drawing library writes its JSON
    assert "<script src=" not in page  # the drawing library is inside: workshops open it offline
    assert page.count(chart_library.script()) == 1


def test_pictures(card: str, heat_file: str, tmp_path: Path) -> None:
    png, svg = tmp_path / "plan.png", tmp_path / "plan.SVG"
    words = (*SHEET, "--oven-card", card, "--units", "us", "--opening-mm", "300", "--drop-mm", "80")
    assert run(*words, "--plot", str(png)).exit_code == 0
    assert png.read_bytes()[:24] == b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + (1280).to_bytes(4) + (800).to_bytes(4)
    assert run("--measured", heat_file, "--oven-card", card, "--plot", str(svg)).exit_code == 0
    assert "</svg>" in svg.read_text(encoding="utf-8")


def test_page_of_a_measured_heat_in_us_units(card: str, heat_file: str, tmp_path: Path) -> None:
    path = tmp_path / "plan.html"
    run("--measured", heat_file, "--oven-card", card, "--units", "us", "--plot", str(path))
    page = path.read_text(encoding="utf-8")
    assert "core, measured" in page
    assert r"core at least 329 \u00b0F" in page
    assert "Recorded heat beside the model" in page


# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("share", "words"), [(1.0, "more than 99 %"), (0.95, "95 %"), (0.5, "50 %"), (0.0, "less than 1 %")]
)
def test_nothing_is_certain(share: float, words: str) -> None:
    assert percent(share) == words


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        ((600.0, 3700.0), "90 of 100 times between 10:00 and 1:01:40"),
        ((600.0, None), "in 5 of 100 cases before 10:00, in as many not within 4 h"),
        ((None, None), "in 95 of 100 cases not within 4 h"),
    ],
)
def test_intervals_in_words(interval: tuple[float | None, float | None], words: str) -> None:
    assert between(planned(), Edge(600.0, "core", interval), METRIC) == words


def test_advice_of_a_hygroscopic_sheet_names_hours_and_temperature() -> None:
    polymer = shipped_polymer("pc")
    assert polymer.drying is not None
    assert polymer.drying.temperature_c is not None
    assert polymer.drying.hours_per_mm is not None
    plan = planned(230.0, polymer=polymer, gauge_m=4e-3)
    (drying,) = [sentence for sentence in advice(plan) if sentence.startswith("Dry the sheet first")]
    assert f"{4 * polymer.drying.hours_per_mm:g} h at {polymer.drying.temperature_c:g} °C" in drying
    assert not [sentence for sentence in advice(planned()) if sentence.startswith("Dry the sheet")]


@pytest.mark.parametrize(("gauge_m", "word"), [(4e-3, "usually draped"), (8e-3, "a bubble suits; draping is for")])
def test_method_by_gauge_is_marked_as_common_practice(gauge_m: float, word: str) -> None:
    (method,) = [sentence for sentence in advice(planned(gauge_m=gauge_m)) if sentence.startswith("Method")]
    assert word in method
    assert "common practice" in method


def test_option_outside_the_card_is_marked() -> None:
    plan = planned(160.0, oven=replace(CARD, valid=Valid(set_c=(150.0, 190.0))))
    assert plan.options.highest_set is not None
    assert plan.options.highest_set.set_c > 190
    assert "outside what the card of oven kiln was found for (150 °C to 190 °C)" in changes(plan, METRIC)[0]
    assert "outside what the card" not in changes(planned(160.0), METRIC)[0]


def test_cautions_of_an_oven_far_hotter_than_a_face_may_get() -> None:
    hot, mild = cautions(planned(260.0), US), cautions(planned(185.0), US)
    (extra,) = set(hot) - set(mild)
    # 260 °C less the card's 3 K is 57 K, that is 103 °F, above 200 °C = 392 °F.
    assert "103 °F hotter than a face may get (392 °F)" in extra
    for word in ("gloves", "fumes", "unattended", "safety data sheet"):
        assert any(word in sentence for sentence in mild)


def test_card_past_its_day_is_said(card: str, tmp_path: Path) -> None:
    path = tmp_path / "old.toml"
    path.write_text(CARD_TOML + "[valid]\nuntil = 2024-03-31\n", encoding="utf-8")
    asked = Asked(polymer="petg", gauge_mm=3.0, oven_card=path)
    shop = open_shop(None)
    late = question(asked, shop, datetime.date(2024, 4, 1), METRIC).notes
    last_day = question(asked, shop, datetime.date(2024, 3, 31), METRIC).notes
    assert [note for note in late if "valid until 2024-03-31" in note]
    assert not [note for note in last_day if "valid until" in note]


def test_opening_is_not_used_on_a_tray(tmp_path: Path) -> None:
    path = tmp_path / "tray.toml"
    tray = "[tray]\nmass_kg_m2 = 8.0\nheat_capacity_j_kgk = 900.0\ncontact_w_m2k = 150.0\nstart_c = 22.0\n"
    path.write_text(CARD_TOML + tray, encoding="utf-8")
    asked = Asked(polymer="petg", gauge_mm=3.0, oven_card=path, support="tray", opening_mm="300")
    found = question(asked, open_shop(None), datetime.date(2024, 4, 1), METRIC)
    assert found.case.opening_m is None
    assert "A sheet on a tray does not drop: the opening is not used" in found.notes


def test_extreme_card_is_refused_or_planned_never_a_traceback(card: str, tmp_path: Path) -> None:
    path = tmp_path / "extreme.toml"
    extreme = CARD_TOML.replace("18.0", "2000.0").replace("lag_s = 300.0", "lag_s = 0.0")
    path.write_text(extreme.replace("door_drop_k = 40.0", "door_drop_k = 300.0"), encoding="utf-8")
    result = run("--polymer", "petg", "--gauge-mm", "0.3", "--oven-card", str(path), "--set-c", "320")
    assert result.exit_code in (0, 2)
    assert result.exception is None or isinstance(result.exception, SystemExit)


def test_arithmetic_that_fails_is_a_sentence(monkeypatch: pytest.MonkeyPatch, card: str) -> None:
    def fail(*_: object) -> Plan:
        raise ArithmeticError("the heating equation could not be solved")

    monkeypatch.setattr("dashboard.commands.plan.plan_heat", fail)
    result = run(*SHEET, "--oven-card", card)
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
    assert "cannot be computed: the heating equation" in result.stderr


def test_unknown_ending_is_refused_before_anything_is_computed(monkeypatch: pytest.MonkeyPatch, card: str) -> None:
    def never_called(*_: object) -> Plan:
        raise AssertionError("computed all the same")

    monkeypatch.setattr("dashboard.commands.plan.plan_heat", never_called)
    assert run(*SHEET, "--oven-card", card, "--plot", "plan.jpg").exit_code == 2


def test_question_refuses_what_the_shop_does_not_know() -> None:
    with pytest.raises(InputError, match="petg"):
        question(Asked(polymer="petgg", gauge_mm=3.0, oven="north"), open_shop(None), datetime.date.min, METRIC)
