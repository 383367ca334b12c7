"""`pullcue bench`, `check` and `ports`: what a technician sees of a bench, and what is said to be wrong with it."""

from __future__ import annotations

import json
import os
import re
import socket
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from dashboard.bench_check import FINE, LOOK, WRONG, Finding, Seen, findings, watch
from dashboard.benches import open_bench, read_bench
from dashboard.commands import pullcue
from dashboard.serial_ports import PortSeen, holders, ports_seen
from dashboard.shop import DEMO_FOLDER, open_shop
from logger.bench import KINDS, ROLE_NAMES, bench_from_mapping
from logger.clock import FastClock, ManualClock
from logger.heatfile import write_heat
from logger.practice import PracticeServer
from logger.practice_board import PracticeBoard
from logger.reading import Arrival, Frame, Link, LinkState, State, Value
from logger.readings import BenchReader
from modbus_modules import module
from practice_line import Kitchen, Watched
from thermal.fields import InputError
from thermal.heat import Event, Heat

DEMO = DEMO_FOLDER / "benches"
TOP = 'id = "trial"\noven = "north"\n'


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, list(words))


def write(folder: Path, text: str) -> str:
    path = folder / "trial.toml"
    path.write_text(TOP + text, encoding="utf-8")
    return str(path)


def by_about(found: tuple[Finding, ...]) -> dict[str, Finding]:
    return {one.about: one for one in found}


# ---------------------------------------------------------------- bench


def test_demo_benches_can_be_read() -> None:
    benches = {path.stem: read_bench(path) for path in DEMO.glob("*.toml")}
    assert {"practice", "one-thermocouple"} <= set(benches)
    assert all(bench.id == name for name, bench in benches.items())
    assert all(bench.oven in open_shop(None).oven_ids() for bench in benches.values())


def test_demo_bench_live() -> None:
    result = run("bench", str(DEMO / "practice.toml"), "--for", "20", "--speed", "20", "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    content = json.loads(result.stdout)
    assert content["bench"] == "practice"
    assert content["roles"]["air_upper"]["state"] == "ok"
    assert content["roles"]["air_upper"]["channel"] == "board/tc_1"


def test_board_on_a_socket_is_a_bench(tmp_path: Path) -> None:
    with PracticeServer(PracticeBoard(Kitchen()), FastClock(20.0)) as server:
        source = f'[[source]]\nid = "b"\nkind = "board"\nurl = "{server.url}"\n'
        path = write(tmp_path, source + '[role]\nwall = "b/wall"\ncore_1 = "b/tc_9"\n')
        result = run("bench", path, "--for", "2", "--json")
    assert result.exit_code == 0
    content = json.loads(result.stdout)
    assert content["roles"]["wall"]["value_c"] == pytest.approx(175.0, abs=0.5)
    assert content["roles"]["core_1"]["state"] == "no reading"
    assert "has no channel 'tc_9' (did you mean tc_" in content["notes"][-1]


def test_replay_is_a_bench(tmp_path: Path) -> None:
    air = np.linspace(140.0, 180.0, 61)
    heat = Heat(time_s=np.arange(61.0), columns={"air_upper_c": air}, events=(Event(5.0, "door_closed"),))
    write_heat(heat, tmp_path / "heat.csv")
    source = '[[source]]\nid = "old"\nkind = "replay"\nfile = "heat.csv"\n'
    path = write(tmp_path, source + '[role]\nair_upper = "old/air_upper"\n')
    content = json.loads(run("bench", path, "--for", "3000", "--speed", "100", "--json").stdout)
    assert content["frames"] == {"old": 61}
    assert content["links"][-1]["state"] == "ended"
    assert content["marks"][0]["name"] == "door_closed"
    assert content["roles"]["air_upper"]["states"][0]["state"] == "ok"
    refused = run("bench", write(tmp_path, source + '[role]\nair_upper = "old/air_uper"\n'))
    assert refused.exit_code == 2
    assert "(did you mean air_upper" in refused.stderr


def write_replay(folder: Path, oven: str = "north") -> str:
    """A recording of 10 s, and a bench of it alone."""
    write_heat(Heat(time_s=np.arange(11.0), columns={"air_upper_c": np.linspace(140.0, 145.0, 11)}), folder / "h.csv")
    path = folder / "trial.toml"
    source = '[[source]]\nid = "old"\nkind = "replay"\nfile = "h.csv"\n[role]\nair_upper = "old/air_upper"\n'
    path.write_text(TOP.replace("north", oven) + source, encoding="utf-8")
    return str(path)


def test_recording_ends_by_itself(tmp_path: Path) -> None:
    """Long before the time that was asked for."""
    content = json.loads(run("bench", write_replay(tmp_path), "--for", "3000", "--speed", "20", "--json").stdout)
    assert content["frames"] == {"old": 11}
    assert 10.0 <= content["duration_s"] < 60.0


def test_every_second_is_sampled_once(tmp_path: Path) -> None:
    content = json.loads(run("bench", str(DEMO / "practice.toml"), "--for", "5", "--speed", "3", "--json").stdout)
    times_s = content["samples"]["time_s"]
    assert 3 <= len(times_s) <= 6  # one may be left out where the computer has other work
    assert all(later - earlier > 0.5 for earlier, later in pairwise(times_s))
    assert content["duration_s"] >= 5.0
    short = json.loads(run("bench", write(tmp_path, ""), "--for", "0.2", "--json").stdout)
    assert len(short["samples"]["time_s"]) == 1


def test_bench_without_sensors_says_so(tmp_path: Path) -> None:
    result = run("bench", write(tmp_path, ""), "--for", "0.3", "--terminal")
    assert result.exit_code == 0
    assert "clock and marks only" in result.stdout
    assert "nothing is measured" in result.stdout


MODULE = """\
[module]
transport = "tcp"
host = "127.0.0.1"
port = 1
[[channel]]
name = "wall"
table = "input"
address = 0
type = "int16"
scale = 0.1
unit = "C"
"""


def test_modbus_module_is_a_bench(tmp_path: Path) -> None:
    """The url of the bench file wins over the map's; read beside a practice oven, which it does not hold up."""
    (tmp_path / "module.toml").write_text(MODULE, encoding="utf-8")
    with module() as served:
        served.put("input", 0, [1755])
        sources = (
            f'[[source]]\nid = "m"\nkind = "modbus"\nmap = "module.toml"\nurl = "tcp://127.0.0.1:{served.port}"\n'
            'period_s = 0.05\n[[source]]\nid = "p"\nkind = "practice"\n'
        )
        path = write(tmp_path, sources + '[role]\nwall = "m/wall"\nair_upper = "p/tc_1"\n')
        content = json.loads(run("bench", path, "--for", "1.5", "--json").stdout)
    assert content["roles"]["wall"]["value_c"] == 175.5
    assert content["roles"]["air_upper"]["value_c"] == pytest.approx(182.0, abs=12.0)
    assert content["frames"]["m"] >= 5


def test_modbus_channels_are_known_before_anything_is_opened(tmp_path: Path) -> None:
    (tmp_path / "module.toml").write_text(MODULE, encoding="utf-8")
    source = '[[source]]\nid = "m"\nkind = "modbus"\nmap = "module.toml"\n'
    refused = run("bench", write(tmp_path, source + '[role]\nwall = "m/wal"\n'))
    assert refused.exit_code == 2
    assert "source m has no channel 'wal' (did you mean wall?)" in refused.stderr
    alone = run("bench", write(tmp_path, source + "baud = 9600\n"))
    assert alone.exit_code == 2
    assert "gives baud without url" in alone.stderr


def test_instrument_that_is_not_there(tmp_path: Path) -> None:
    instrument = '[instrument]\nresource = "TCPIP::127.0.0.1::9::SOCKET"\nmeasure = "READ?"\n'
    (tmp_path / "i.toml").write_text(instrument + '[[channel]]\nname = "t"\nunit = "C"\n', encoding="utf-8")
    source = '[[source]]\nid = "i"\nkind = "scpi"\nmap = "i.toml"\nresource = "TCPIP::127.0.0.1::1::SOCKET"\n'
    result = run("check", write(tmp_path, source + '[role]\nroom = "i/t"\n'), "--for", "0.6", "--json")
    assert result.exit_code == 1
    by_name = {one["about"]: one for one in json.loads(result.stdout)["findings"]}
    assert by_name["source i"]["grade"] == "wrong"
    assert "::1::SOCKET" in by_name["source i"]["found"] + by_name["source i"]["do"]
    assert by_name["room (i/t)"]["found"] == "no reading"


def test_document_shows_a_bench_that_can_be_read() -> None:
    document = (Path(__file__).parent.parent / "docs" / "bench-file.md").read_text("utf-8")
    (example,) = re.findall(r"```toml\n(.*?)```", document, re.DOTALL)
    bench = bench_from_mapping(tomllib.loads(example), "docs/bench-file.md")
    assert [role.name for role in bench.roles] == ["air_upper", "air_lower", "core_1", "wall", "drop"]
    for kind in KINDS:
        assert f"| `{kind}` |" in document
    for role in ROLE_NAMES:
        assert f"`{role}`" in document


REFUSED = {
    "fast and real": (
        '[[source]]\nid = "b"\nkind = "board"\nurl = "COM3"\n', ("--speed", "5"), "source b is real",
    ),
    "no such map": ('[[source]]\nid = "m"\nkind = "modbus"\nmap = "m.toml"\n', (), "there is no such file"),
    "no such heat": ('[[source]]\nid = "r"\nkind = "replay"\nfile = "r.csv"\n', (), "there is no such file"),
    "no such scenario": ('[[source]]\nid = "p"\nkind = "practice"\nscenario = "x"\n', (), "scenario 'x' is not known"),
    "role twice": (
        '[[source]]\nid = "b"\nkind = "board"\nurl = "COM3"\n[role]\nwall = "b/x"\nwall = "b/y"\n', (), "no valid TOML",
    ),
    "sensor not registered": (
        '[[source]]\nid = "b"\nkind = "board"\nurl = "COM3"\n[role]\nwall = { channel = "b/x", serial = "S-1" }\n', (),
        "sensor 'S-1' is not in the register",
    ),
}  # fmt: skip


@pytest.mark.parametrize("command", ["bench", "check"])
@pytest.mark.parametrize(("text", "words", "said"), REFUSED.values(), ids=REFUSED)
def test_refused(command: str, text: str, words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    result = run(command, write(tmp_path, text), *words)
    assert result.exit_code == 2, result.output
    assert said in result.stderr
    assert result.stderr.count("\n") == 1


def test_ports_are_freed_where_a_bench_is_refused(tmp_path: Path) -> None:
    """The second source cannot be opened: the first one's threads and sockets must not stay behind."""
    text = TOP + '[[source]]\nid = "p"\nkind = "practice"\n[[source]]\nid = "r"\nkind = "replay"\nfile = "r.csv"\n'
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    served: list[PracticeServer] = []
    original = PracticeServer.start

    def start(self: PracticeServer) -> PracticeServer:
        served.append(self)
        return original(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(PracticeServer, "start", start)
        with pytest.raises(InputError):
            open_bench(read_bench(tmp_path / "trial.toml"), tmp_path, open_shop(None), FastClock(1.0))
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", served[0].port), timeout=5.0)


# ---------------------------------------------------------------- check


def checked(*faults: str) -> tuple[Finding, ...]:
    watched = Watched(faults)
    return findings(watched.reader, watch(watched.reader, watched.clock, 60.0))


def test_good_bench_is_fine() -> None:
    found = by_about(checked())
    assert all(one.grade == FINE for one in found.values()), found
    assert "5.0 a second" in found["source board"].found
    assert found["clock of board"].found == "it keeps the computer's time"
    assert found["air_upper (board/tc_1)"].found.endswith(" °C")


@pytest.mark.parametrize(
    ("fault", "about", "said"),
    [
        ("open:tc_1@0+100", "air_upper (board/tc_1)", "open circuit"),
        ("short:tc_1@0+100", "air_upper (board/tc_1)", "short circuit"),
        ("frozen:tc_1@10+100", "air_upper (board/tc_1)", "frozen"),
        ("swap:tc_1,tc_3@0+100", "face_upper (board/tc_3)", "°C"),
        ("checksum@10+30", "frames of board", "wrong checksum"),
        ("garbage@10+30", "frames of board", "unreadable bytes"),
        ("reset@30", "frames of board", "1 x board restarted"),
        ("reset@30", "clock of board", "it went back"),
        ("silence@30+100", "source board", "connected, nothing comes"),
        ("cable@30+100", "source board", "connection lost"),
    ],
)
def test_what_is_wrong_is_said(fault: str, about: str, said: str) -> None:
    (found,) = [one for one in checked(fault) if one.about == about and said in one.found]
    assert found.grade == WRONG
    assert found.do


class Ticking:
    """A board that sends a frame a second, whose clock runs by a factor of its own."""

    def __init__(self, clock: ManualClock, rate: float) -> None:
        self.id = "board"
        self._clock, self._rate = clock, rate

    def poll(self, timeout_s: float) -> list[Arrival]:
        self._clock.sleep(1.0)
        now_s = self._clock.monotonic_s()
        frame = Frame(None, round(now_s * 1e3 * self._rate), (Value("a", "C", 170.0 + now_s / 10.0),))
        link = Link(LinkState.RUNNING, "it runs")
        return [Arrival(now_s, self._clock.utc(), what) for what in (link, frame)]

    def close(self) -> None:
        """Nothing is open."""


def ticking(rate: float, clock: ManualClock) -> tuple[BenchReader, Seen]:
    table: Mapping[str, Any] = {
        "id": "b", "oven": "north", "source": [{"id": "board", "kind": "board", "url": "COM3"}],
        "role": {"wall": "board/a"},
    }  # fmt: skip
    reader = BenchReader(bench_from_mapping(table, "b.toml"), [Ticking(clock, rate)], clock)
    return reader, watch(reader, clock, 20.0)


@pytest.mark.parametrize(("rate", "said"), [(1.0, "it keeps"), (1.08, "it runs 8% fast"), (0.9, "it runs 10% slow")])
def test_clock_of_the_board(rate: float, said: str) -> None:
    finding = by_about(findings(*ticking(rate, ManualClock())))["clock of board"]
    assert said in finding.found
    assert finding.grade == (FINE if rate == 1.0 else WRONG)


def test_clock_of_the_computer() -> None:
    old = by_about(findings(*ticking(1.0, ManualClock(datetime(2000, 1, 1, tzinfo=UTC)))))["computer's clock"]
    assert (old.grade, old.found) == (WRONG, "it says 2000-01-01")
    reader, seen = ticking(1.0, ManualClock())
    assert seen.utc is not None
    seen.utc = (seen.utc[0], seen.utc[1] + timedelta(hours=1))
    stepped = by_about(findings(reader, seen))["computer's clock"]
    assert stepped.grade == WRONG
    assert "was set by +3600 s" in stepped.found


def test_check_of_the_demo_bench() -> None:
    result = run("check", str(DEMO / "practice.toml"), "--for", "20", "--speed", "5")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.splitlines()[-1] == "The bench is fit to run."
    content = json.loads(run("check", str(DEMO / "practice.toml"), "--for", "10", "--speed", "4", "--json").stdout)
    assert content["fine"] is True
    assert {"about", "grade", "found", "do"} == content["findings"][0].keys()


def test_oven_without_a_card_is_wrong(tmp_path: Path) -> None:
    result = run("check", write_replay(tmp_path, "nort"), "--for", "5", "--speed", "20")
    assert result.exit_code == 1
    assert "WRONG  oven: oven nort has no card in this shop (did you mean north?)" in result.stdout
    assert result.stdout.splitlines()[-1].startswith("1 of ")


def test_wrong_name_of_a_channel_is_one_finding() -> None:
    table: Mapping[str, Any] = {
        "id": "b", "oven": "north", "source": [{"id": "board", "kind": "board", "url": "COM3"}],
        "role": {"wall": "board/a", "room": "board/b"},
    }  # fmt: skip
    clock = ManualClock()
    reader = BenchReader(bench_from_mapping(table, "b.toml"), [Ticking(clock, 1.0)], clock)
    wrong = [one for one in findings(reader, watch(reader, clock, 20.0)) if one.grade is WRONG]
    assert [one.about for one in wrong] == ["room (board/b)"]
    assert wrong[0].do.endswith("it has a; correct the bench file")


def test_empty_drop_sensor_is_for_a_person_to_judge() -> None:
    class Empty(Ticking):
        def poll(self, timeout_s: float) -> list[Arrival]:
            nothing = Frame(None, None, (Value("d", "mm", None, State.OUT_OF_RANGE),))
            return [*super().poll(timeout_s)[:1], Arrival(self._clock.monotonic_s(), self._clock.utc(), nothing)]

    table: Mapping[str, Any] = {
        "id": "b", "oven": "north", "source": [{"id": "board", "kind": "board", "url": "COM3"}],
        "role": {"drop": "board/d"},
    }  # fmt: skip
    clock = ManualClock()
    reader = BenchReader(bench_from_mapping(table, "b.toml"), [Empty(clock, 1.0)], clock)
    drop = by_about(findings(reader, watch(reader, clock, 20.0)))["drop (board/d)"]
    assert (drop.grade, drop.found) == (LOOK, "out of range")
    assert "is a sheet above it?" in drop.do


SENSOR = '[[sensor]]\nserial = "T-1"\ntype = "J"\nclass = "2"\n'


@pytest.fixture
def shop_with_j(tmp_path: Path) -> Path:
    """A shop whose register says J of a sensor; the practice board says K of all its channels."""
    (tmp_path / "ovens").mkdir()
    for name in ("shop.toml", "ovens/north.toml"):
        (tmp_path / name).write_bytes((DEMO_FOLDER / name).read_bytes())
    (tmp_path / "sensors.toml").write_text(SENSOR, encoding="utf-8")
    return tmp_path


def practice_with(folder: Path, more: str) -> str:
    source = '[[source]]\nid = "p"\nkind = "practice"\n'
    return write(folder, source + f'[role]\nair_upper = {{ channel = "p/tc_1", serial = "T-1"{more} }}\n')


def test_board_that_contradicts_the_register_is_wrong(shop_with_j: Path) -> None:
    path = practice_with(shop_with_j, "")
    result = run("check", path, "--for", "6", "--speed", "5", "--shop", str(shop_with_j))
    assert result.exit_code == 1
    assert "WRONG  air_upper (p/tc_1): device fault" in result.stdout
    assert result.stdout.count("the board says type K, the register type J for sensor T-1") == 1
    assert result.stdout.splitlines()[-1].startswith("1 of ")
    words = ("sensors", "check", "T-1", "--point", "ice", "--yes", "--bench", path, "--shop", str(shop_with_j))
    checked = run(*words)
    assert checked.exit_code == 2
    assert "the board says type K, the register type J for sensor T-1" in checked.stderr
    assert (shop_with_j / "sensors.toml").read_text("utf-8") == SENSOR


@pytest.mark.parametrize("command", ["bench", "check"])
def test_bench_file_that_contradicts_the_register_is_refused(command: str, shop_with_j: Path) -> None:
    path = practice_with(shop_with_j, ', thermocouple = "K"')
    result = run(command, path, "--for", "3", "--shop", str(shop_with_j))
    assert (result.exit_code, result.stdout) == (2, "")
    assert "role.air_upper.thermocouple = 'K': expected 'J', the type of sensor T-1 in the register" in result.stderr


def test_check_of_a_port_that_is_not_there(tmp_path: Path) -> None:
    source = '[[source]]\nid = "b"\nkind = "board"\nurl = "/dev/no-such-port"\n[role]\nwall = "b/wall"\n'
    path = write(tmp_path, source)
    result = run("check", path, "--for", "0.3")
    assert result.exit_code == 1
    assert "WRONG  source b: connection lost" in result.stdout
    assert "2 of " in result.stdout.splitlines()[-1]
    content = json.loads(run("check", path, "--for", "0.3", "--json").stdout)
    assert content["fine"] is False


# ---------------------------------------------------------------- ports


def port(**known: Any) -> SimpleNamespace:
    plain = {
        "device": "COM3",
        "description": "n/a",
        "manufacturer": None,
        "serial_number": None,
        "vid": None,
        "pid": None,
    }
    return SimpleNamespace(**{**plain, **known})


def test_ports_are_told_by_name(tmp_path: Path) -> None:
    listed = [
        port(),
        port(device="COM12", description="USB board", vid=0x1A2B, pid=0x3C, manufacturer="X", serial_number="7"),
    ]
    seen = ports_seen(lambda: listed, tmp_path)
    assert [one.name for one in seen] == ["COM12", "COM3"]
    assert (seen[0].usb, seen[0].maker, seen[0].serial, seen[0].what) == ("1A2B:003C", "X", "7", "USB board")
    assert (seen[1].usb, seen[1].what) == ("", "")


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="only Linux tells who has a file open")
def test_who_holds_a_port_is_told(tmp_path: Path) -> None:
    with (tmp_path / "tty").open("w"):
        held = holders(str(tmp_path / "tty"))
    assert held is not None
    assert any(f"(process {os.getpid()})" in one for one in held)
    assert holders(str(tmp_path / "other")) == ()


def test_words_of_a_port() -> None:
    def words(held_by: tuple[str, ...] | None, allowed: bool = True) -> str:
        return PortSeen("COM3", "", "", "", "", held_by, allowed).words

    assert words(()) == "free"
    assert words(("term (process 12)",)).startswith("held by term (process 12): close it")
    assert "dialout" in words((), allowed=False)
    assert "cannot be told" in words(None)


def test_ports_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [port(description="USB board")])
    assert run("ports").stdout.startswith("COM3: USB board\n")
    assert json.loads(run("ports", "--json").stdout)["ports"][0]["name"] == "COM3"
    monkeypatch.setattr("serial.tools.list_ports.comports", list)
    result = run("ports")
    assert result.exit_code == 0
    assert "No serial port is seen" in result.stdout
