"""Lines of a text board: frames a second against a plain loop, share of a core, and what a serial line carries.

Each pair runs on the same bytes in the same process, one after the other in turns; ratios are printed. The plain loop
is what one writes first: readline, split, float, and for microvolts a conversion number by number. It checks nothing.
Beside it the product's whole path: the lines through `BoardSource` and `BenchReader`, with roles, conversion to °C and
all rules by which a reading is not believed.
"""

from __future__ import annotations

import io
import random
import socket
import threading
import time
from collections.abc import Callable, Iterator

import thermocouple_its90

from logger.bench import Bench, Role, SourceEntry
from logger.board import BoardParser, Channel, encode_banner, encode_data, tag_of
from logger.board_source import BoardSource
from logger.clock import ManualClock, SystemClock
from logger.reading import Fault, Frame, State, Value
from logger.readings import BenchReader
from logger.thermocouple import to_celsius
from logger.transport import open_transport

CHANNELS = 16
LINES = 4000
ROUNDS = 5
BITS_A_BYTE = 10  # start, eight of data, stop


def lines_of(unit: str, count: int, number: int = CHANNELS) -> bytes:
    """A banner and lines of so many channels, °C or microvolts of type K with their cold junction."""
    draw = random.Random(7)
    channels = [Channel(f"tc_{i}", "C") if unit == "C" else Channel(f"tc_{i}", "uV", "K") for i in range(number)]
    lines = [encode_banner("bench", channels)]
    tag = tag_of(lines[0])
    for n in range(count):
        values = [
            Value(c.name, "C", round(draw.uniform(20.0, 250.0), 3))
            if unit == "C"
            else Value(c.name, "uV", round(draw.uniform(0.0, 9000.0), 3), State.OK, round(draw.uniform(20.0, 30.0), 3))
            for c in channels
        ]
        lines.append(encode_data(n, 100 * n, tag, values))
    return b"".join(lines)


def ours(data: bytes, convert: bool) -> int:
    """Parse with all checks, in pieces of 4096 bytes as they come off a socket, and convert to °C."""
    parser, count = BoardParser(), 0
    for start in range(0, len(data), 4096):
        for what in parser.feed(data[start : start + 4096]):
            if isinstance(what, Frame):
                if convert:
                    assert len([to_celsius(value, "K") for value in what.values]) == CHANNELS
                count += 1
            assert not isinstance(what, Fault)
    return count


def plain(data: bytes, convert: bool) -> int:
    """Readline, split, float, scalar conversion: no checksum, no state, no names."""
    port, count, reference = io.BytesIO(data), 0, thermocouple_its90.get("K")
    port.readline()
    while line := port.readline():
        words = line.decode().split()[4:-1]
        if convert:
            for word in words:
                microvolts, cold_c = word.split("/")
                reference.temperature(float(microvolts) * 1e-3 + reference.emf(float(cold_c)))
        else:
            assert len([float(word) for word in words]) == CHANNELS
        count += 1
    return count


def frames_a_second(work: Callable[[bytes, bool], int], data: bytes, convert: bool) -> float:
    start_s = time.perf_counter()
    count = work(data, convert)
    return count / (time.perf_counter() - start_s)


def compare(title: str, unit: str, count: int) -> float:
    """Print the best of some rounds in turns; ours, frames a second."""
    data, convert = lines_of(unit, count), unit == "uV"
    ours_hz, plain_hz = 0.0, 0.0
    for _ in range(ROUNDS):
        ours_hz = max(ours_hz, frames_a_second(ours, data, convert))
        plain_hz = max(plain_hz, frames_a_second(plain, data, convert))
    print(f"{title}: ours {ours_hz:,.0f} frames/s, plain loop {plain_hz:,.0f}, ratio {ours_hz / plain_hz:.2f}")
    return ours_hz


#: As many as a bench has at all: two airs, two faces, wall, room, and thermocouples in a sheet and on a grid.
ROLES = (
    *("air_upper", "air_lower", "face_upper", "face_lower", "wall", "room"),
    *(f"core_{i}" for i in range(1, 6)),
    *(f"grid_{i:02d}" for i in range(1, 6)),
)


class Line:
    """The lines one by one, as `logger.transport.Transport`: each read brings one, a tenth of a second later."""

    def __init__(self, data: bytes, clock: ManualClock) -> None:
        self._lines, self._clock = data.splitlines(keepends=True)[::-1], clock

    def read(self, timeout_s: float) -> bytes:
        self._clock.sleep(0.1)
        return self._lines.pop() if self._lines else b""

    def write(self, data: bytes) -> None:
        """The board's banner comes by itself."""

    def close(self) -> None:
        """Nothing to free."""


def by_roles(unit: str, count: int) -> None:
    """Print the CPU time that a frame of 16 channels costs on the product's whole path, at its best of some rounds."""
    kind, best_s, data = "K" if unit == "uV" else "", float("inf"), lines_of(unit, count)
    roles = tuple(Role(name, "board", f"tc_{i}", kind) for i, name in enumerate(ROLES))
    for _ in range(ROUNDS):
        clock = ManualClock()
        source = BoardSource("board", lambda clock=clock: Line(data, clock), clock)  # type: ignore[misc]
        reader = BenchReader(Bench("bench", "", (SourceEntry("board", "board", {}, {}),), roles), [source], clock)
        got, start_s = 0, time.thread_time()
        while got < count:
            for arrival in reader.poll(0.1):
                assert not isinstance(arrival.what, Fault), arrival
                if isinstance(arrival.what, Frame):
                    assert len(arrival.readings) == CHANNELS
                    got += 1
        best_s = min(best_s, (time.thread_time() - start_s) / count)
        reader.close()
    print(
        f"{CHANNELS} channels in {unit} through BenchReader, with roles and judging: {1.0 / best_s:,.0f} frames/s, "
        f"{100.0 * 10.0 * best_s:.2f} % of a core at 10 Hz"
    )


def paced(data: bytes, hz: float, ready: threading.Event) -> tuple[socket.socket, threading.Thread]:
    """A board on a socket that sends its lines at this rate once it was asked."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = listener.accept()
        with connection:
            assert connection.recv(10) == b"?\n"
            banner, *lines = data.splitlines(keepends=True)
            connection.sendall(banner)
            ready.set()
            start_s = time.perf_counter()
            for n, line in enumerate(lines):
                time.sleep(max(start_s + n / hz - time.perf_counter(), 0.0))
                connection.sendall(line)
            connection.recv(10)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    return listener, thread


def over_a_socket(hz: float, duration_s: float) -> None:
    """Read a board's lines as the product does, and print what was lost and the CPU time of the reading thread."""
    count = int(hz * duration_s)
    listener, thread = paced(lines_of("uV", count), hz, threading.Event())
    url = f"socket://127.0.0.1:{listener.getsockname()[1]}"
    source = BoardSource("bench", lambda: open_transport(url, 115200), SystemClock())
    cpu_s, start_s, got, faults = time.thread_time(), time.perf_counter(), 0, 0
    for what in arrivals(source, duration_s + 5.0):
        if isinstance(what, Frame):
            assert len([to_celsius(value, "K") for value in what.values]) == CHANNELS
            got += 1
        faults += isinstance(what, Fault)
        if got == count:
            break
    cpu_s, lasted_s = time.thread_time() - cpu_s, time.perf_counter() - start_s
    source.close()
    thread.join(5.0)
    listener.close()
    print(
        f"{CHANNELS} channels at {hz:g} Hz over a socket for {lasted_s:.1f} s: {count - got} of {count} frames lost, "
        f"{faults} faults, {100.0 * cpu_s / lasted_s:.2f} % of a core read and converted"
    )


def arrivals(source: BoardSource, duration_s: float) -> Iterator[object]:
    end_s = time.perf_counter() + duration_s
    while time.perf_counter() < end_s:
        for arrival in source.poll(0.1):
            yield arrival.what


def carried() -> None:
    """What the baud rate allows, from the bytes of the lines above, as the rows of a table."""
    for unit in ("C", "uV"):
        for channels in (1, 4, 8, CHANNELS):
            lines = lines_of(unit, 1000, channels)
            length = (len(lines) - lines.index(b"\n") - 1) / 1000
            rates = " | ".join(f"{baud / BITS_A_BYTE / length:.1f}" for baud in (9600, 115200))
            print(f"| {channels} x {unit} | {length:.0f} | {rates} |")


def main() -> None:
    celsius_hz = compare("16 channels, °C, decoded", "C", LINES)
    microvolt_hz = compare("16 channels, µV with cold junction, decoded and converted", "uV", LINES // 10)
    for name, hz in (("°C", celsius_hz), ("µV", microvolt_hz)):
        print(f"16 channels in {name} at 10 Hz: {100.0 * 10.0 / hz:.3f} % of a core, computed from the above")
    by_roles("C", LINES // 4)
    by_roles("uV", LINES // 10)
    over_a_socket(10.0, 5.0)
    over_a_socket(200.0, 5.0)
    carried()


if __name__ == "__main__":
    main()
