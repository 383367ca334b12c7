"""`pullcue watch --replay` as a person starts it, and what its lines may depend on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from dashboard.commands import pullcue
from dashboard.commands.watch_json import KEYS
from dashboard.shop import DEMO_FOLDER
from logger.heatfile import read_heat, write_heat
from thermal.heat import Event, Heat

HEATS = DEMO_FOLDER / "heats"
EMBER = HEATS / "ember-copolymer-4mm.csv"
NORTH = HEATS / "north-pp-6mm.csv"
COMMAND = [sys.executable, "-X", "utf8", "-c", "from dashboard.commands import main; main()", "watch"]
#: What the yardstick and users of the JSON read: never renamed.
PROMISED = ("time_s", "cue", "core_c", "core_interval_c", "p_ready", "opens_s", "opens_interval_s", "closes_s",
            "closes_interval_s", "drop_mm", "misfit", "notes")  # fmt: skip
CUES = {"heating", "getting close", "pull now", "last chance", "too late", "cannot tell"}


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(pullcue, ["watch", *map(str, words)])


def lines_of(*words: str | Path) -> list[dict[str, Any]]:
    result = run(*words, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    return [json.loads(line) for line in result.stdout.splitlines()]


def cut(heat: Heat, every: int = 8, until_s: float = 60.0, **changes: Any) -> Heat:
    """Some rows of a heat, so that a test takes a second."""
    keep = np.flatnonzero(heat.time_s <= until_s)[::every]
    events = tuple(event for event in heat.events if event.time_s <= until_s)
    columns = {name: values[keep] for name, values in heat.columns.items()}
    found: dict[str, Any] = {"time_s": heat.time_s[keep], "columns": columns, "events": events}
    return replace(heat, **(found | changes))


def written(heat: Heat, folder: Path, name: str = "heat.csv") -> Path:
    write_heat(heat, folder / name)
    return folder / name


def rows(heat: Heat, keep: Any) -> Heat:
    """Some rows of a heat, with all its events."""
    columns = {name: values[keep] for name, values in heat.columns.items()}
    return replace(heat, time_s=heat.time_s[keep], columns=columns)


@pytest.fixture(scope="module")
def ember_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole heat with few rows, more towards its pull, and all from then on."""
    heat = read_heat(EMBER)
    return written(rows(heat, few(heat)), tmp_path_factory.mktemp("ember"))


def few(heat: Heat) -> Any:
    at_s = heat.time_s
    return (at_s % 16.0 == 0.0) | ((at_s > 192.0) & (at_s % 8.0 == 0.0)) | (at_s > 272.0)


@pytest.fixture(scope="module")
def ember(ember_file: Path) -> list[dict[str, Any]]:
    return lines_of("--replay", ember_file)


@pytest.fixture(scope="module")
def first_80_s(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    return lines_of("--replay", written(cut(read_heat(NORTH), every=4, until_s=80.0), tmp_path_factory.mktemp("some")))


@pytest.fixture(scope="module")
def first_minute(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    return lines_of("--replay", written(cut(read_heat(EMBER)), tmp_path_factory.mktemp("some")))


# ---------------------------------------------------------------- what a line holds


def test_keys_are_as_promised(ember: list[dict[str, Any]]) -> None:
    assert KEYS[: len(PROMISED)] == PROMISED
    assert {tuple(line) for line in ember} == {KEYS}


def test_a_line_for_each_sample_from_the_door_on(ember: list[dict[str, Any]], ember_file: Path) -> None:
    times = read_heat(ember_file).time_s
    assert [line["time_s"] for line in ember] == times[times >= 0.0].tolist()


def test_the_cue_leads_to_the_pull_and_the_carry_counts_down(ember: list[dict[str, Any]]) -> None:
    pulled = 272.0  # as the file's event says
    before = [line for line in ember if line["time_s"] < pulled]
    assert {line["cue"] for line in before} <= CUES
    # The file's sheet was pulled when its true core had 168 °C; the polymer needs 148 °C: it was ready well before.
    assert before[0]["cue"] == "heating"
    assert "pull now" in {line["cue"] for line in before}
    assert {line["countdown_to"] for line in before if line["cue"] in ("heating", "getting close")} == {"ready"}
    after = [line for line in ember if line["time_s"] >= pulled]
    assert {(line["cue"], line["countdown_to"]) for line in after} == {("carry", "too cold")}
    steps = np.diff([line["countdown_s"] for line in after])
    assert steps == pytest.approx(-np.diff([line["time_s"] for line in after]), abs=0.11)
    assert {line["core_c"] for line in after} == {None}


def test_intervals_hold_their_middle(ember: list[dict[str, Any]]) -> None:
    for line in ember:
        if line["core_c"] is not None:
            low, high = line["core_interval_c"]
            assert low <= line["core_c"] <= high
            low, high = line["least_interval_c"]
            assert low <= line["least_c"] <= high
            # What is missing at the likely opening is nothing.
            if line["p_ready"] > 0.55:
                assert line["core_c"] > line["least_c"] - 0.5
            assert 0.0 <= line["p_ready"] <= 1.0
            opens = [line["opens_interval_s"][0], line["opens_s"], line["opens_interval_s"][1]]
            known = [at for at in opens if at is not None]
            assert known == sorted(known)


def test_the_drop_is_the_estimates_and_the_sensors(ember: list[dict[str, Any]]) -> None:
    line = next(line for line in ember if line["time_s"] == 240.0)
    heat = read_heat(EMBER)
    measured = float(heat.columns["drop_mm"][heat.time_s == 240.0][0])
    assert line["drop_measured_mm"] == measured
    # Noise 0.8 mm and a zero within 3 mm: the estimate follows the sensor that closely.
    assert line["drop_mm"] == pytest.approx(measured, abs=6.0)


# ---------------------------------------------------------------- what it may depend on


def changed_after(heat: Heat, at_s: float) -> Heat:
    """The same until a moment; everything later, and the core from the beginning, otherwise."""
    later = heat.time_s > at_s
    columns = {
        name: np.where(later, 60.0, values) if not name.startswith("core") else np.full_like(values, 99.0)
        for name, values in heat.columns.items()
    }
    events = (*(one for one in heat.events if one.time_s <= at_s), Event(float(heat.time_s[-1]), "line_3"))
    return replace(heat, columns=columns, events=events)


def test_later_rows_and_the_core_change_nothing_earlier(first_80_s: list[dict[str, Any]], tmp_path: Path) -> None:
    heat = changed_after(cut(read_heat(NORTH), every=4, until_s=80.0), 48.0)
    assert any(name.startswith("core") for name in heat.columns)
    other = lines_of("--replay", written(heat, tmp_path, "other.csv"))
    early = [line for line in first_80_s if line["time_s"] <= 48.0]
    assert len(early) > 4
    assert other[: len(early)] == early
    assert other[len(early) :] != first_80_s[len(early) :]


def test_a_heat_that_was_cut_off_says_the_same_as_far_as_it_goes(
    first_80_s: list[dict[str, Any]], tmp_path: Path
) -> None:
    heat = cut(read_heat(NORTH), every=4, until_s=80.0)
    part = lines_of("--replay", written(cut(heat, every=1, until_s=48.0), tmp_path, "part.csv"))
    assert len(part) > 4
    assert first_80_s[: len(part)] == part


@pytest.mark.parametrize("path", sorted(HEATS.glob("*.csv")), ids=lambda path: path.stem)
def test_every_demo_heat_can_be_watched(path: Path, tmp_path: Path) -> None:
    lines = lines_of("--replay", written(cut(read_heat(path), every=16, until_s=100.0), tmp_path))
    assert {line["cue"] for line in lines} == {"heating"}
    assert lines[-1]["core_c"] > lines[0]["core_c"] + 5.0


# ---------------------------------------------------------------- less than everything


def bare(heat: Heat, kept: tuple[str, ...]) -> Heat:
    return cut(heat, columns={}) if not kept else _with(cut(heat), kept)


def _with(heat: Heat, kept: tuple[str, ...]) -> Heat:
    return replace(heat, columns={name: heat.columns[name] for name in kept})


@pytest.mark.parametrize("kept", [(), ("face_upper_c",), ("air_upper_c",), ("air_lower_c", "drop_mm")])
def test_fewer_sensors_widen_the_interval(
    kept: tuple[str, ...], first_minute: list[dict[str, Any]], tmp_path: Path
) -> None:
    lines = lines_of("--replay", written(bare(read_heat(EMBER), kept), tmp_path))

    def width(line: Mapping[str, Any]) -> float:
        low, high = line["core_interval_c"]
        return float(high - low)

    assert lines[-1]["cue"] == "heating"
    assert width(lines[-1]) > width(first_minute[-1])
    assert (lines[-1]["misfit"] is None) == (kept in ((), ("air_upper_c",)))


def test_marks_alone_are_heeded(tmp_path: Path) -> None:
    heat = cut(read_heat(EMBER), every=16, columns={}, events=())
    plain = lines_of("--replay", written(heat, tmp_path, "plain.csv"), "--line", "1=12")
    marked = replace(heat, events=(Event(float(heat.time_s[-1]) - 1.0, "line_1"),))
    told = lines_of("--replay", written(marked, tmp_path, "marked.csv"), "--line", "1=12")
    assert told[-1]["opens_s"] != plain[-1]["opens_s"]
    assert told[0] == plain[0]


def test_lines_stand_in_the_head_of_the_file_too(tmp_path: Path) -> None:
    heat = cut(read_heat(EMBER), every=16, columns={}, events=())
    heat = replace(heat, events=(Event(float(heat.time_s[-1]) - 1.0, "line_1"),))
    by_option = lines_of("--replay", written(heat, tmp_path, "option.csv"), "--line", "1=12")
    for name, extra in (
        ("key", {"line_1_mm": 12.0}),
        ("table", {"lines": {"line_1_mm": 12}}),
        ("note", {"marks": [{"name": "line_1", "note": "drop 12 mm"}]}),
    ):
        path = written(replace(heat, extra=extra), tmp_path, f"{name}.csv")
        assert lines_of("--replay", path) == by_option, name


def test_a_pull_with_nothing_measured_has_a_carry(tmp_path: Path) -> None:
    heat = cut(read_heat(NORTH), columns={}, events=(Event(40.0, "pulled"), Event(56.0, "on_mold")))
    cues = {line["time_s"]: line["cue"] for line in lines_of("--replay", written(heat, tmp_path))}
    assert set(cues.values()) <= {"heating", "carry", "too cold", "on the mold"}
    # At 40 s in the oven no face is near 130 °C: it is too cold to form from the first moment.
    assert {cue for at, cue in cues.items() if 40.0 <= at < 56.0} == {"too cold"}
    assert {cue for at, cue in cues.items() if at >= 56.0} == {"on the mold"}


def test_what_is_set_aside_is_said_and_can_be_taken_back(tmp_path: Path) -> None:
    heat = replace(cut(read_heat(NORTH), every=1, until_s=26.0), events=())
    heat = rows(heat, (heat.time_s % 8.0 == 0.0) | (heat.time_s >= 20.0))
    face = heat.columns["face_upper_c"] + np.where(heat.time_s > 22.0, 25.0, 0.0)  # within 2 s: no sheet does that
    path = written(replace(heat, columns={**heat.columns, "face_upper_c": face}), tmp_path)
    last = lines_of("--replay", path)[-1]
    assert [one["column"] for one in last["set_aside"]] == ["face_upper_c"]
    assert any("--trust face_upper_c takes it back" in note for note in last["notes"])
    assert lines_of("--replay", path, "--trust", "face_upper_c")[-1]["set_aside"] == []


def test_options_win_over_the_file_and_that_is_said(tmp_path: Path) -> None:
    path = written(cut(read_heat(NORTH), until_s=20.0), tmp_path)
    thin, thick = (lines_of("--replay", path, *words) for words in (("--gauge-mm", "3"), ()))
    assert thin[0]["opens_s"] < thick[0]["opens_s"]
    assert any("The heat file states gauge 6.0 mm; planned with 3.0 mm" in note for note in thin[0]["notes"])
    assert thin[1]["notes"] == []


def test_a_smaller_risk_waits_longer(ember: list[dict[str, Any]], tmp_path: Path) -> None:
    first_s = next(line["time_s"] for line in ember if line["cue"] == "pull now")
    heat = read_heat(EMBER)
    before = replace(rows(heat, few(heat) & (heat.time_s < first_s)), events=())
    bolder = lines_of("--replay", written(before, tmp_path), "--risk", "0.4")
    assert "pull now" in {line["cue"] for line in bolder}
    assert "pull now" not in {line["cue"] for line in ember if line["time_s"] < first_s}


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"\x00\x01\x02\x03", "zero bytes"),
        (b"\xff\xfe nonsense", "no UTF-8"),
        (b"a,b\n1,2\n", "time_s"),
        (b"time_s,air_upper_c\n0.0,4000\n", "air_upper_c"),
    ],
)
def test_garbage_is_refused_in_one_sentence(content: bytes, said: str, tmp_path: Path) -> None:
    path = tmp_path / "heat.csv"
    path.write_bytes(content)
    result = run("--replay", path, "--polymer", "pp-homopolymer", "--gauge-mm", "6", "--oven", "north", "--json")
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1)
    assert said in result.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--line", "4=40"), "expected a line and a number above 0"),
        (("--line", "1=-3"), "expected a line and a number above 0"),
        (("--line", "1=50", "--line", "2=40"), "each line lower than the one before"),
        (("--risk", "2"), "--risk 2: expected a number at least 0.0001 and at most 0.5"),
        (("--trust", "face_uper_c"), "did you mean face_upper_c"),
        (("--speed", "0"), "--speed 0: expected"),
        (("--for", "10"), "--for means nothing with --replay"),
        (("--drop-mm", "5000"), "--drop-mm 5000"),
        (("--polymer", "pp-homopolimer"), "did you mean pp-homopolymer"),
    ],
)
def test_options_that_cannot_be_used(words: tuple[str, ...], said: str) -> None:
    result = run("--replay", NORTH, *words, "--json")
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr


def test_a_preheat_alone_is_no_heat(tmp_path: Path) -> None:
    path = written(cut(read_heat(NORTH), until_s=-20.0, events=()), tmp_path)
    result = run("--replay", path)
    assert result.exit_code == 2
    assert "before its sheet went in" in result.stderr


def test_speed_is_for_replays() -> None:
    assert "--speed means nothing with a heat that is going on" in run("--speed", "2").stderr


# ---------------------------------------------------------------- in a process


def test_a_pipe_that_closes_is_the_end() -> None:
    child = subprocess.Popen(
        [*COMMAND, "--replay", str(EMBER), "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert child.stdout is not None
    assert child.stderr is not None
    first = json.loads(child.stdout.readline())  # comes at once: each line is flushed
    child.stdout.close()
    assert (first["time_s"], child.wait(timeout=60), child.stderr.read()) == (0.0, 0, b"")
    child.stderr.close()


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signal that stands for Ctrl-C in a child process")
def test_ctrl_c_ends_a_replay_without_words_of_python() -> None:
    child = subprocess.Popen(
        [*COMMAND, "--replay", str(EMBER), "--json", "--speed", "1"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert child.stdout is not None
    child.stdout.readline()
    child.send_signal(signal.SIGINT)
    _, error = child.communicate(timeout=60)
    assert (child.returncode, error) == (130, b"\n")


# ---------------------------------------------------------------- for people


def test_text_says_the_same(tmp_path: Path) -> None:
    path = written(cut(read_heat(NORTH), until_s=60.0), tmp_path)
    result = run("--replay", path, "--units", "us")
    assert (result.exit_code, result.stderr) == (0, "")
    text = " ".join(result.stdout.split())
    for words in ("Likely ready in", "must have 329 °F (", "core ", "upper face", "measured", "drop ",
                  "opens", "closes", "gloves", "the sheet's instructions", "simulated"):  # fmt: skip
        assert words in text, words
    assert "\a" not in result.stdout
    assert "█" in result.stdout or "#" in result.stdout


def test_readings_that_cannot_be_computed_with_do_not_end_the_watch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from calibration.estimate import Estimate
    from calibration.estimator import Estimator
    from calibration.observed import Observed

    at = Estimator.at

    def fails(self: Estimator, seen: Observed, now_s: float) -> Estimate:
        if 20.0 < now_s < 35.0:
            raise FloatingPointError("overflow")
        return at(self, seen, now_s)

    monkeypatch.setattr(Estimator, "at", fails)
    lines = lines_of("--replay", written(cut(read_heat(NORTH), every=2, until_s=60.0), tmp_path))
    cues = [line["cue"] for line in lines]
    assert set(cues) == {"heating", "cannot tell"}
    assert cues[0] == cues[-1] == "heating"
    failed = next(line for line in lines if line["cue"] == "cannot tell")
    assert "cannot be computed with" in failed["reason"]


def test_a_sheet_that_cannot_be_computed_at_all_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    from calibration.estimator import Estimator

    def fails(*_: object) -> None:
        raise FloatingPointError("overflow")

    monkeypatch.setattr(Estimator, "at", fails)
    result = run("--replay", NORTH, "--json")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "cannot be computed: overflow; correct the oven card" in result.stderr


def test_the_document_has_every_key_and_every_state() -> None:
    from calibration.cue import State
    from dashboard.after_pull import After
    from dashboard.cue_sound import PATTERNS

    text = (DEMO_FOLDER.parent.parent / "docs" / "watch.md").read_text("utf-8")
    assert [key for key in KEYS if f"`{key}`" not in text] == []
    rows = {row.split("|")[1].strip(): row for row in text.splitlines() if row.startswith("| ") and row.count("|") == 5}
    for state in (*State, *After):
        row = rows[state.value.upper()]
        tones = row.split("|")[4].strip()
        assert tones.startswith(str(len(PATTERNS[state].bells_s))), state
        again_s = PATTERNS[state].again_s
        assert (f"again every {again_s:g} s" in tones) if again_s else ("again" not in tones)


@pytest.mark.parametrize(
    ("left_s", "said", "drawn"),
    [(61.0, "Likely ready in 1:01", "1:01"), (0.0, "Likely ready by now, but not yet sure enough", "")],
)
def test_a_countdown_at_zero_does_not_call_for_a_pull(left_s: float, said: str, drawn: str) -> None:
    from calibration.cue import State
    from calibration.observed import Observed
    from dashboard.bench_look import Look
    from dashboard.commands.watch_panel import Place, Trail, panel
    from dashboard.commands.watch_words import clock_words
    from dashboard.follower import untold
    from dashboard.live_service import Aged
    from dashboard.units import Units
    from dashboard.web.oven_words import cue_words

    told = replace(untold(500.0, "why"), state=State.CLOSE, countdown_s=left_s, countdown_to="ready")
    seen = Observed(np.empty(0), {})
    assert said in panel(told, seen, None, Trail(), Units(), Place(), "title").lines
    assert clock_words(told, Units()) == drawn
    page = cue_words(Aged(Look("b", "o", told=told), 0.0), Units())
    assert (page.count, f"{page.to} {page.count}".strip()) == (drawn, said[:1].lower() + said[1:])
    # A window that may close now is another thing: that zero stays.
    assert clock_words(replace(told, state=State.LAST, countdown_to="spoilt", countdown_s=0.0), Units()) == "0:00"
