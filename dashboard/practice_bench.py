"""The practice bench: a computed oven behind a loopback port, its scenarios, and what the technician does to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from dashboard.practice_model import PLAIN, PracticeOven, Traits
from dashboard.shop import Shop
from logger.bench import Bench, Role, SourceEntry
from logger.board_source import BoardSource
from logger.clock import Clock
from logger.practice import PracticeServer
from logger.practice_board import CHANNELS, PracticeBoard
from logger.practice_faults import Fault, fault_of
from logger.transport import open_transport
from thermal.case import Case
from thermal.fields import InputError, Range, near_matches
from thermal.heat import GAUGE_MM

SOURCE = "board"
ROLES = {
    "air_upper": "tc_1",
    "air_lower": "tc_2",
    "face_upper": "tc_3",
    "face_lower": "tc_4",
    "wall": "wall",
    "room": "room",
    "drop": "drop",
}
#: Ready after 9 minutes, with a window of two to three: time enough to practise.
DEFAULT_POLYMER, DEFAULT_GAUGE_MM, DEFAULT_OPENING_M = "hdpe", 4.0, 0.3
CHANNEL_NAMES = tuple(channel.name for channel in CHANNELS)
_BAUD = 115200  # means nothing on a socket
_SEED = Range(at_least=0.0, at_most=2.0**32)


@dataclass(frozen=True)
class Scenario:
    """One day in the practice oven.

    Attributes:
        words: what is special, as the technician would be told. faults: as on the command line. put_in_s: when the
        sheet goes in. room_c: None: the shop's.
    """

    words: str
    faults: tuple[str, ...] = ()
    traits: Traits = PLAIN
    put_in_s: float = 60.0
    room_c: float | None = None


SCENARIOS: Mapping[str, Scenario] = {
    "quiet-day": Scenario("Nothing goes wrong"),
    "loose-thermocouple": Scenario(
        "The plug of the upper face is loose", ("open:tc_3@150+20", "touch:tc_3@260+25", "open:tc_3@420+15")
    ),
    "door-ajar": Scenario(
        "The door does not shut for a few minutes", traits=Traits(ajar_s=(180.0, 420.0)), put_in_s=60.0
    ),
    "weak-fan": Scenario("The fan turns slowly and the heat comes unevenly", traits=Traits(h_factor=0.6, uneven_k=9.0)),
    "cold-morning": Scenario(
        "The oven was switched on just now, and the room is cold", traits=Traits(cold=True), put_in_s=900.0, room_c=12.0
    ),
    "cable-pulled": Scenario("Somebody trips over the cable, twice", ("cable@120+8", "cable@240+45")),
    "rough-line": Scenario(
        "The cable runs beside the heater's",
        (
            "garbage@80+15",
            "checksum@120+15",
            "half-line@160+15",
            "duplicate@200+15",
            "order@240+15",
            "together@280+15",
            "baud@320+15",
        ),
    ),
    "tired-board": Scenario("The board's supply is weak", ("reset@100", "silence@180+25", "reset@300")),
    "crossed-plugs": Scenario("Two thermocouples are plugged in crosswise", ("swap:tc_1,tc_3@0+86400",)),
    "stuck-converter": Scenario("A converter repeats itself, another jumps", ("frozen:tc_4@150+90", "spike:tc_2@300")),
}
DEFAULT_SCENARIO = "quiet-day"


def scenario_of(name: str) -> Scenario:
    """The scenario of this name.

    Raises:
        InputError: there is none; near matches are named.
    """
    if name not in SCENARIOS:
        raise InputError(
            f"scenario {name!r} is not known{near_matches(name, SCENARIOS)}: expected one of {', '.join(SCENARIOS)}"
        )
    return SCENARIOS[name]


def practice_case(shop: Shop, polymer: str, gauge_mm: float, oven: str, room_c: float) -> Case:
    """The sheet and oven to practise on: the sheet has the room's temperature.

    Raises:
        InputError: unknown polymer or oven, or a gauge that no sheet has.
    """
    if not GAUGE_MM.holds(gauge_mm):
        raise InputError(f"gauge {gauge_mm:g} mm: expected {GAUGE_MM}")
    card, sheet = shop.oven(oven), shop.polymer(polymer)
    opening_m = (DEFAULT_OPENING_M,) if sheet.viscosity is not None else None
    return Case(sheet, gauge_mm * 1e-3, card, card.set_c, start_c=room_c, opening_m=opening_m)


def practice_bench(oven: str) -> Bench:
    """The bench file of the practice oven, as if somebody had written it."""
    roles = tuple(Role(name, SOURCE, channel) for name, channel in ROLES.items())
    return Bench("practice", oven, (SourceEntry(SOURCE, "practice", {}, {}, CHANNEL_NAMES),), roles)


class Practice:
    """A practice oven that runs.

    Args:
        case: what is heated. seed: of noise and of what nobody knows. faults: beside those of the scenario.
        pull_s: when the sheet is pulled by itself; None: somebody must. by_hand: the sheet goes in when somebody says
        so, and what the scenario does to it comes so much later, but for what is so from the beginning.
    """

    def __init__(
        self,
        case: Case,
        room_c: float,
        scenario: Scenario,
        clock: Clock,
        seed: int = 1,
        faults: Sequence[Fault] = (),
        pull_s: float | None = None,
        by_hand: bool = False,
    ) -> None:
        if not _SEED.holds(seed):
            raise InputError(f"seed {seed}: expected a whole number from 0 to {2**32}")
        self.case, self._put_in_s = case, scenario.put_in_s
        self.oven = PracticeOven(case, room_c, seed, scenario.traits)
        self.infrared = case.oven.kind == "infrared"
        planned = [fault_of(text, CHANNEL_NAMES) for text in scenario.faults]
        # What is wrong from the beginning is wrong before the sheet goes in, as crossed plugs are.
        self._later = tuple(one for one in planned if one.at_s > 0.0) if by_hand else ()
        self._waits = by_hand
        self._marks = [] if by_hand else [(scenario.put_in_s, "door_closed")]
        if by_hand:
            planned = [one for one in planned if one.at_s <= 0.0]
        else:
            self.oven.put_in(scenario.put_in_s)
        if pull_s is not None:
            if by_hand:
                raise InputError(f"pull at {pull_s:g} s: the sheet goes in by hand: pull it by hand too, or say when "
                                 "it goes in")  # fmt: skip
            if pull_s <= scenario.put_in_s:
                raise InputError(
                    f"pull at {pull_s:g} s: expected a time after the sheet goes in, {scenario.put_in_s:g} s"
                )
            self._marks.append((pull_s, "pulled"))
            self.oven.pull(pull_s)
        self.server = PracticeServer(PracticeBoard(self.oven, [*planned, *faults], seed), clock)
        self._clock = clock
        #: Called with a mark's name and how long ago it was, s of the clock. Nobody who records: the board's button, as
        #: on a real bench; over a noisy line that can get lost.
        self.tell: Callable[[str, float], None] = lambda name, _ago_s: self.server.press(name)

    def source(self, id: str = SOURCE) -> BoardSource:
        """The PC's end of the line."""
        return BoardSource(id, lambda: open_transport(self.server.url, _BAUD), self._clock)

    def start(self) -> None:
        """Begin to heat and to serve."""
        self.server.start()

    def mark_what_happened(self) -> None:
        """Mark each planned step whose time has come; to be called now and then."""
        self.server.check()
        while self._marks and self._marks[0][0] <= (now_s := self.server.time_s):
            at_s, name = self._marks.pop(0)
            self.tell(name, now_s - at_s)

    @property
    def waits(self) -> bool:
        """Whether the oven waits for its sheet to be put in by hand."""
        return self._waits

    def take(self, case: Case) -> None:
        """Another sheet is made ready, or the oven is set otherwise; once a sheet is in nothing changes."""
        if self._waits:
            self.case = case
            self.oven.prepare(case, 0.0)

    def obey(self, name: str) -> None:
        """Do now what a mark says was done, where that is not done already; the mark itself is made elsewhere."""
        now_s = self.server.time_s
        if name in ("start", "door_closed") and self._waits:
            self._waits = False
            later_s = now_s - self._put_in_s
            self.oven.prepare(self.case, later_s)
            self.server.add_faults([replace(one, at_s=max(one.at_s + later_s, now_s)) for one in self._later])
            self.oven.put_in(now_s)
        elif name == "door_open":
            self.oven.open_door(now_s)
        elif name == "pulled":
            self.oven.pull(now_s)

    def open_door(self) -> None:
        """Open the door now, and mark it."""
        self.oven.open_door(self.server.time_s)
        self.tell("door_open", 0.0)

    def pull(self) -> None:
        """Pull the sheet now, and mark it."""
        self.oven.pull(self.server.time_s)
        self.tell("pulled", 0.0)

    def close(self) -> None:
        """End and free the port; may be called twice."""
        self.server.close()


def with_put_in(scenario: Scenario, put_in_s: float | None) -> Scenario:
    """The scenario with another time for the sheet to go in; None leaves it."""
    return scenario if put_in_s is None else replace(scenario, put_in_s=put_in_s)
