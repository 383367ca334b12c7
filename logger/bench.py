"""The bench file: one oven, the sources wired to it, and which channel plays which role.

    id = "north-bench"
    oven = "north"

    [[source]]
    id = "board"
    kind = "board"                  # board | modbus | scpi | replay | practice
    url = "/dev/ttyUSB0"            # COM3, socket://host:port, rfc2217://host:port ...
    baud = 115200

    [role]
    air_upper = "board/tc_1"
    face_upper = { channel = "board/tc_2", thermocouple = "K", serial = "T-017", lag_s = 1.5 }

    [lines]                         # marks behind the sheet, mm below the frame
    line_1_mm = 40.0

A bench without sources is valid: it has a clock and marks, and nothing is measured.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from logger.metadata import to_m
from thermal.fields import Fields, InputError, Range, near_matches
from thermal.heat import DROP_MM, ROLES, Sensor, role_of

KINDS = ("board", "modbus", "scpi", "replay", "practice")
THERMOCOUPLES = ("B", "E", "J", "K", "N", "R", "S", "T")
#: Names of roles without their unit, as they stand in a bench file; several of a kind get a number: core_1.
ROLE_NAMES = tuple(role.rpartition("_")[0] for role in ROLES)
LINES = ("line_1", "line_2", "line_3")
DEFAULT_BAUD = 115200
#: Schemes of a board's url: those of pyserial, which opens all but the first.
SCHEMES = ("socket", "rfc2217", "loop", "spy", "alt", "hwgrep", "cp2110")
_WITH_ADDRESS = ("socket", "rfc2217")

NOTHING_STATED = Sensor()

_ID = re.compile(r"[a-z0-9][a-z0-9_-]*")
_COLUMN_OF = {role.rpartition("_")[0]: role for role in ROLES}
_NUMBERED = re.compile(r"(?P<kind>[a-z_]+?)_(?P<number>[0-9]+)")
_BAUD = Range("baud", at_least=300.0, at_most=4_000_000.0)
_SPEED = Range("times real time", above=0.0, at_most=10_000.0)
_DEVICE_ID = Range(at_least=0.0, at_most=255.0)
_PERIOD_S = Range("s", at_least=0.05, at_most=60.0)
_SEED = Range(at_least=0.0, at_most=2.0**32)
_LINE_MM = Range("mm", above=0.0, at_most=DROP_MM.at_most)
_LAG_S = Range("s", at_least=0.0, at_most=600.0)
_DEPTH_MM = Range("mm", at_least=0.0, at_most=50.0)
_PLACE_MM = Range("mm", at_least=-10000.0, at_most=10000.0)

#: Keys of a source by its kind, beside id, kind and channels: the needed ones, then the optional ones.
_TEXTS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "board": (("url",), ()),
    "modbus": (("map",), ("url",)),
    "scpi": (("map",), ("resource",)),
    "replay": (("file",), ()),
    "practice": ((), ("scenario", "polymer")),  # its oven is the bench's
}
_NUMBERS: Mapping[str, Mapping[str, Range]] = {
    "board": {"baud": _BAUD},
    "modbus": {"baud": _BAUD, "device_id": _DEVICE_ID, "period_s": _PERIOD_S},
    "scpi": {},
    "replay": {"speed": _SPEED},
    "practice": {"seed": _SEED, "gauge_mm": Range("mm", at_least=0.3, at_most=50.0)},
}


@dataclass(frozen=True)
class SourceEntry:
    """One [[source]].

    Attributes:
        kind: of `KINDS`. texts, numbers: what else the entry states, by key. channels: names it is said to give;
        empty where only the device knows.
    """

    id: str
    kind: str
    texts: Mapping[str, str]
    numbers: Mapping[str, float]
    channels: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """Where it is, for messages: its url, resource or file."""
        return next((self.texts[key] for key in ("url", "resource", "file", "map") if key in self.texts), self.kind)


@dataclass(frozen=True)
class Role:
    """Which channel plays a role, and through which sensor.

    Attributes:
        name: air_upper, core_1 ... source, channel: where the value comes from.
        thermocouple: type of the wire, '' where the source states it or gives °C.
        serial: of the sensor in the shop's register, '' for none. sensor: its place and lag.
    """

    name: str
    source: str
    channel: str
    thermocouple: str = ""
    serial: str = ""
    sensor: Sensor = NOTHING_STATED

    @property
    def column(self) -> str:
        """Name of the column in a heat file: core_1_c, drop_mm."""
        return column_of(self.name) or self.name

    @property
    def wire(self) -> str:
        """'source/channel', as the bench file writes it."""
        return f"{self.source}/{self.channel}"

    @property
    def unit(self) -> str:
        """'C', 'mm' or 'kPa': the unit of the role's readings."""
        return {"c": "C", "mm": "mm", "kpa": "kPa"}[self.column.rpartition("_")[2]]


@dataclass(frozen=True)
class Bench:
    """A bench file's content.

    Attributes:
        oven: id of the oven's card. lines_mm: drop at each painted line, mm, by event name ('line_1').
    """

    id: str
    oven: str
    sources: tuple[SourceEntry, ...] = ()
    roles: tuple[Role, ...] = ()
    lines_mm: Mapping[str, float] | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """What this bench cannot do, one sentence each."""
        if not self.roles:
            return ("No sensor on this bench: only the clock and your marks are recorded; nothing is measured",)
        names = [role.name for role in self.roles]
        notes = []
        if not any(name.startswith("air_") for name in names):
            notes.append("No air thermocouple on this bench: the oven card's own air is used for the prediction")
        if not any(name.startswith(("face_", "core", "drop")) for name in names):
            notes.append("Nothing measures the sheet itself on this bench: the cue rests on the air and the model")
        return tuple(notes)

    def roles_of(self, source: str) -> tuple[Role, ...]:
        """The roles that a source's channels play."""
        return tuple(role for role in self.roles if role.source == source)


def column_of(role: str) -> str | None:
    """Column of a role's name ('core_1' -> 'core_1_c'), None where there is no such role."""
    if role in _COLUMN_OF:
        return _COLUMN_OF[role]
    numbered = _NUMBERED.fullmatch(role)
    if numbered is None or numbered["kind"] not in _COLUMN_OF:
        return None
    unit = _COLUMN_OF[numbered["kind"]].rpartition("_")[2]
    column = f"{role}_{unit}"
    return column if role_of(column) else None


def bench_from_mapping(table: Mapping[str, Any], where: str) -> Bench:
    """The bench in a TOML tree.

    Args:
        where: file name for messages.

    Raises:
        InputError: for whatever cannot be used: file, key, value, what was expected and near matches.
    """
    fields = Fields(table, where)
    sources = tuple(_source(one) for one in fields.tables("source"))
    ids = [source.id for source in sources]
    for index, source_id in enumerate(ids):
        if source_id in ids[:index]:
            raise InputError(f"{where}: two sources are called {source_id!r}: expected each id once; rename one")
    roles = _roles(fields.maybe_table("role"), {source.id: source for source in sources}, where)
    bench = Bench(
        id=_id(fields, "id"),
        oven=_id(fields, "oven"),
        sources=sources,
        roles=roles,
        lines_mm=_lines(fields.maybe_table("lines"), where),
    )
    fields.close()
    return bench


def unknown_channels(bench: Bench, source: str, channels: Iterable[str]) -> tuple[str, ...]:
    """One sentence for each role whose channel a source does not have, with near matches.

    Args:
        channels: what the source said it has.
    """
    known = tuple(channels)
    return tuple(
        f"role {role.name} = {role.wire!r}: source {source} has no channel {role.channel!r}"
        f"{near_matches(role.channel, known)}: it has {', '.join(known) or 'none'}; correct the bench file"
        for role in bench.roles_of(source)
        if role.channel not in known
    )


def _id(fields: Fields, name: str) -> str:
    text = fields.text(name)
    if not _ID.fullmatch(text):
        raise fields.refuse(name, text, "small letters, digits, '-' and '_', as north-bench")
    return text


def _source(fields: Fields) -> SourceEntry:
    kind = fields.text("kind", KINDS)
    needed, optional = _TEXTS[kind]
    texts = {name: fields.text(name) for name in needed}
    texts |= {name: fields.text(name) for name in optional if fields.has(name)}
    numbers = {name: value for name, allowed in _NUMBERS[kind].items()
               if (value := fields.maybe_number(name, allowed)) is not None}  # fmt: skip
    for name in ("baud", "device_id", "seed"):
        if name in numbers and numbers[name] != int(numbers[name]):
            raise fields.refuse(name, numbers[name], "a whole number")
    if kind == "board":
        _refuse_address(fields, texts["url"])
    source = SourceEntry(_id(fields, "id"), kind, texts, numbers, _channels(fields))
    fields.close()
    return source


def _refuse_address(fields: Fields, url: str) -> None:
    """Refuse an address that no port can have, before anything is opened; a name without '://' is the system's."""
    scheme, separator, rest = url.partition("://")
    if not separator:
        return
    if scheme.lower() not in SCHEMES:
        expected = f"a port's name or one of {', '.join(f'{one}://' for one in SCHEMES)}"
        raise fields.refuse("url", url, f"{expected}{near_matches(scheme, SCHEMES)}")
    if scheme.lower() in _WITH_ADDRESS:
        host, _, port = rest.partition("/")[0].partition("?")[0].rpartition(":")
        if not host or not (port.isascii() and port.isdigit() and 0 < int(port) < 65536):
            raise fields.refuse("url", url, f"{scheme}://HOST:PORT with a port from 1 to 65535")


def _channels(fields: Fields) -> tuple[str, ...]:
    if not fields.has("channels"):
        return ()
    value = fields.raw("channels")
    if not isinstance(value, list) or not value or not all(isinstance(one, str) and one for one in value):
        raise fields.refuse("channels", value, 'a list of names, as ["tc_1", "tc_2"]')
    if len(set(value)) < len(value):
        raise fields.refuse("channels", value, "each name once")
    return tuple(value)


def _roles(fields: Fields | None, sources: Mapping[str, SourceEntry], where: str) -> tuple[Role, ...]:
    roles: list[Role] = []
    used: dict[str, str] = {}
    for name in fields.names() if fields else []:
        assert fields is not None
        if column_of(name) is None:
            raise InputError(
                f"{where}: role.{name} is not a known role{near_matches(name, ROLE_NAMES)}: expected one of "
                f"{', '.join(ROLE_NAMES)}, with a number where there are several, as core_1; correct the name"
            )
        role = _role(fields, name, sources)
        if role.wire in used:
            raise InputError(
                f"{where}: role.{name} = {role.wire!r} is already the channel of role {used[role.wire]}: "
                f"expected each channel once{_others(role, sources, used)}; give one of the two another channel"
            )
        used[role.wire] = name
        roles.append(role)
    _refuse_two_meanings(roles, where)
    return tuple(roles)


def _others(role: Role, sources: Mapping[str, SourceEntry], used: Mapping[str, str]) -> str:
    """Channels of the same source that are still free, as near matches first."""
    free = [name for name in sources[role.source].channels if f"{role.source}/{name}" not in used]
    return near_matches(role.channel, free)


def _refuse_two_meanings(roles: list[Role], where: str) -> None:
    """Refuse one role under two spellings: core_1 and core_01."""
    seen: dict[tuple[str, int | None], str] = {}
    for role in roles:
        numbered = None if role.name in _COLUMN_OF else _NUMBERED.fullmatch(role.name)
        key = (numbered["kind"], int(numbered["number"])) if numbered else (role.name, None)
        if key in seen:
            raise InputError(
                f"{where}: role.{role.name} is the role {seen[key]} once more: expected each role once; "
                "give it another number or remove one"
            )
        seen[key] = role.name


def _role(fields: Fields, name: str, sources: Mapping[str, SourceEntry]) -> Role:
    if isinstance(fields.raw(name), str):
        source, channel = _wire(fields, name, sources)
        return Role(name, source, channel)
    table = fields.table(name)
    source, channel = _wire(table, "channel", sources)
    millimetres = {
        key: table.maybe_number(key, _DEPTH_MM if key == "depth_mm" else _PLACE_MM)
        for key in ("depth_mm", "x_mm", "y_mm", "z_mm")
    }
    role = Role(
        name,
        source,
        channel,
        table.text("thermocouple", THERMOCOUPLES) if table.has("thermocouple") else "",
        table.text("serial") if table.has("serial") else "",
        Sensor(
            lag_s=table.maybe_number("lag_s", _LAG_S),
            **{f"{key[:-3]}_m": None if mm is None else to_m(mm) for key, mm in millimetres.items()},
        ),
    )
    table.close()
    if role.thermocouple and role.unit != "C":
        raise table.refuse("thermocouple", role.thermocouple, f"none for {name}, which is no temperature; remove it")
    return role


def _wire(fields: Fields, key: str, sources: Mapping[str, SourceEntry]) -> tuple[str, str]:
    text = fields.text(key)
    source, slash, channel = text.partition("/")
    if not slash or not source or not channel:
        raise fields.refuse(key, text, "source/channel, as board/tc_1")
    if source not in sources:
        known = ", ".join(sources) or "none; add a [[source]]"
        raise fields.refuse(key, text, f"the id of a source before the '/'{near_matches(source, sources)}: {known}")
    channels = sources[source].channels
    if channels and channel not in channels:
        expected = f"a channel of {source}{near_matches(channel, channels)}: one of {', '.join(channels)}"
        raise fields.refuse(key, text, expected)
    return source, channel


def _lines(fields: Fields | None, where: str) -> dict[str, float] | None:
    if fields is None:
        return None
    found = {name: fields.number(f"{name}_mm", _LINE_MM) for name in LINES if fields.has(f"{name}_mm")}
    fields.close()
    depths = list(found.values())
    if any(lower <= upper for upper, lower in pairwise(depths)):
        raise InputError(f"{where}: [lines] {depths}: expected each line lower than the one before, in mm of drop")
    return found
