"""`pullcue practice`: the same path as a real board, from the bytes of a line on."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from typing import Any

import pytest
from click.testing import CliRunner, Result

from dashboard.commands import pullcue
from dashboard.practice_bench import CHANNEL_NAMES, ROLES, SCENARIOS
from logger.practice_faults import fault_of

COMMAND = [sys.executable, "-X", "utf8", "-c", "from dashboard.commands import main; main()"]


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, ["practice", *words])


def as_json(*words: str) -> dict[str, Any]:
    result = run(*words, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    content: dict[str, Any] = json.loads(result.stdout)
    return content


@pytest.fixture(scope="module")
def half_a_minute() -> dict[str, Any]:
    return as_json("--for", "30", "--speed", "20")


def test_values_and_states(half_a_minute: dict[str, Any]) -> None:
    roles = half_a_minute["roles"]
    assert set(roles) == set(ROLES)
    # The oven 'north' is set to 185 °C, its air 3 K lower; departures, swing and unevenness stay within 12 K.
    for name in ("air_upper", "air_lower"):
        assert roles[name]["state"] == "ok"
        assert roles[name]["value_c"] == pytest.approx(182.0, abs=12.0)
    # The sheet waits in the room, 22 °C, known to a few kelvin.
    assert roles["face_upper"]["value_c"] == pytest.approx(22.0, abs=8.0)
    assert (roles["drop"]["value_mm"], roles["drop"]["state"]) == (None, "out of range")
    assert half_a_minute["duration_s"] == pytest.approx(30.0, abs=15.0)  # an overshoot of the machine's time, times 20
    assert half_a_minute["frames"]["board"] > 30
    assert half_a_minute["faults"] == {"board": {}}
    assert half_a_minute["links"][-1]["state"] == "running"
    assert len(half_a_minute["samples"]["time_s"]) == len(half_a_minute["samples"]["air_upper_c"]) >= 10


def test_core_stays_hidden(half_a_minute: dict[str, Any]) -> None:
    assert half_a_minute["core"] == "hidden; only the scoring of the pull may read it"
    assert not [key for key in half_a_minute["samples"] if key.startswith("core")]
    assert "core" not in half_a_minute["roles"]


def test_port_is_free_after_the_command(half_a_minute: dict[str, Any]) -> None:
    port = int(half_a_minute["practice"]["url"].rpartition(":")[2])
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=5.0)


def test_faults_are_shown_and_over() -> None:
    content = as_json("--for", "70", "--speed", "30", "--put-in", "900", "--fault", "open:tc_3@20+15",
                      "--fault", "garbage@45+10")  # fmt: skip
    states = [one["state"] for one in content["roles"]["face_upper"]["states"]]
    assert states == ["ok", "open circuit", "ok"]
    assert content["faults"]["board"]["unreadable bytes"] > 0
    assert content["roles"]["face_upper"]["state"] == "ok"


def test_marks_do_not_travel_over_a_noisy_line() -> None:
    # All that the line carries is damaged for as long as the planned steps happen.
    content = as_json("--for", "80", "--speed", "30", "--put-in", "20", "--pull", "60", "--fault", "garbage@10+60",
                      "--fault", "cable@10+60")  # fmt: skip
    marks = {mark["name"]: mark for mark in content["recorded"]["marks"] if mark["source"] == "technician"}
    # At 30 times real time half a second of a busy machine is 15 s of the oven.
    assert {name: mark["time_s"] for name, mark in marks.items()} == pytest.approx(
        {"door_closed": 20.0, "pulled": 60.0}, abs=15.0
    )
    assert [mark["name"] for mark in content["marks"]] == ["door_closed", "pulled"]


def test_lines_where_there_is_no_terminal() -> None:
    result = run("--terminal", "--for", "40", "--speed", "60", "--scenario", "quiet-day", "--units", "us")
    lines = result.stdout.splitlines()
    assert (result.exit_code, result.stderr) == (0, "")
    assert lines[0].startswith("Practice oven north at socket://127.0.0.1:")
    assert any("air_upper" in line and "°F" in line for line in lines[1:-2])
    assert lines[-1] == "core: hidden; only the scoring of the pull may read it"


def test_doubt_of_a_value_is_shown() -> None:
    result = run("--terminal", "--for", "60", "--speed", "60", "--put-in", "900", "--scenario", "crossed-plugs")
    assert "face_upper 18" in result.stdout  # the air's 182 °C
    assert "°C (?)" in result.stdout
    assert "are the two plugs swapped?" in result.stdout


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signal that stands for Ctrl-C in a child process")
def test_ctrl_c_ends_cleanly_and_frees_the_port() -> None:
    words = [*COMMAND, "practice", "--terminal", "--speed", "20"]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8"
    ) as process:
        assert process.stdout is not None
        title, _first = process.stdout.readline(), process.stdout.readline()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60.0)
    assert (process.returncode, err) == (0, "")
    assert out.splitlines()[-1] == "core: hidden; only the scoring of the pull may read it"
    found = re.search(r"socket://127\.0\.0\.1:([0-9]+)", title)
    assert found is not None
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", int(found[1])), timeout=5.0)


@pytest.mark.parametrize("name", SCENARIOS)
def test_faults_of_scenarios_exist(name: str) -> None:
    scenario = SCENARIOS[name]
    assert scenario.words
    for text in scenario.faults:
        fault_of(text, CHANNEL_NAMES)


@pytest.mark.parametrize(
    ("words", "said"),
    {
        "scenario": (("--scenario", "quite-day"), "did you mean quiet-day"),
        "fault": (("--fault", "opne@10"), "did you mean open"),
        "channel": (("--fault", "open:tc_8@10"), "no channel 'tc_8'"),
        "speed": (("--speed", "0"), "--speed 0: expected a number at least 0.1"),
        "speed nan": (("--speed", "nan"), "--speed nan"),
        "for": (("--for", "-1"), "--for -1: expected a number above 0"),
        "gauge": (("--gauge-mm", "6000"), "gauge 6000 mm: expected"),
        "polymer": (("--polymer", "pp-homopolimer"), "pp-homopolymer"),
        "oven": (("--oven", "nroth"), "north"),
        "seed": (("--seed", "-1"), "seed -1: expected a whole number"),
        "pull before it is in": (("--put-in", "60", "--pull", "10"), "expected a time after the sheet goes in"),
        "pull without a sheet": (("--pull", "10"), "expected --put-in beside it"),
    }.values(),
)
def test_refused(words: tuple[str, ...], said: str) -> None:
    result = run(*words)
    assert result.exit_code == 2, result.output
    assert said in result.stderr
    assert result.stderr.count("\n") == 1
