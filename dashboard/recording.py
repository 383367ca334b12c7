"""A bench that is looked at and recorded: recorder, store, spool and mailbox put together."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.commands.heat_plan import HeatPlanner, plan_words
from dashboard.shop import Shop
from dashboard.store_place import StorePlace
from logger.bench import Bench
from logger.clock import Clock
from logger.heat_export import SIMULATED
from logger.readings import BenchArrival, BenchReader
from logger.records import BenchHeld, HeatForm, HeatRecord, Mark, in_force
from logger.sensor_places import sensors_text
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.actions import RecorderStore
    from logger.marks import Request
    from logger.recorder import Recorder, Round

_MARKS_KEPT = 200
#: So many entries wait for the store at any moment, one a second: nothing to tell of.
_ON_THEIR_WAY = 5
#: At the end the store is given this time for the last of them, s of the machine.
_STORED_WITHIN_S = 2.0


class Recording:
    """A recorder and what it has to tell."""

    def __init__(self, recorder: Recorder, place: StorePlace, planner: HeatPlanner | None = None) -> None:
        self.recorder, self.place, self._planner = recorder, place, planner
        self._last: Round | None = None
        self._begun: set[str] = set()
        self.marks: list[Mark] = []
        self._told: list[Mark] = []

    def step(self, timeout_s: float) -> Sequence[BenchArrival]:
        """One round of recording; what arrived."""
        self._last = self.recorder.step(timeout_s)
        self.marks = [*self.marks, *self._last.marks][-_MARKS_KEPT:]
        if self._last.heat is not None:
            self._begun.add(self._last.heat.id)
        if self._planner is not None and (said := self._planner.turn(self._last.heat)):
            self.recorder.say(said)
        return self._last.arrivals

    def mark(self, name: str, ago_s: float) -> None:
        """Mark what somebody did at this program itself, `ago_s` s of its clock ago: straight into the record."""
        from logger.heat_book import SET_BACK_S
        from logger.marks import request

        made = self.recorder.mark(request(name, 0, min(max(ago_s, 0.0), SET_BACK_S)))
        self.marks.append(made)
        self._told.append(made)

    def ask(self, request: Request) -> Mark:
        """Mark what somebody asks for, with who and what is said of the sheet: straight into the record.

        Raises:
            InputError: it cannot be kept.
        """
        made = self.recorder.mark(request)
        self.marks.append(made)
        return made

    @property
    def heat(self) -> HeatRecord | None:
        """The heat that is open, as the recorder has it now."""
        book = self.recorder.book
        return None if book.heat is None else book.heat.record

    @property
    def marks_in_force(self) -> list[Mark]:
        """What people, buttons and the door marked in this run, without what was taken back."""
        return in_force(self.recorder.book.marks)

    @property
    def trouble(self) -> str:
        """Why something recorded is in memory only; '' while all is on this disk."""
        kept = None if self._last is None else self._last.kept
        return "" if kept is None or not kept.unsaved else kept.trouble

    def take_told(self) -> list[tuple[float, str]]:
        """(how long ago, s; name) of the marks that `mark` made since the last call."""
        told, self._told = self._told, []
        return [(self.recorder.now_s - mark.at_s, mark.name) for mark in told]

    def finish(self) -> None:
        """Before the recorder is closed: a plan that is being computed is waited for."""
        if self._planner is not None and (said := self._planner.last(self._last.heat if self._last else None)):
            self.recorder.say(said)

    def words(self) -> tuple[str, ...]:
        """Whether a heat is open and whether all goes into the store, a sentence each."""
        if self._last is None:
            return (f"Recorded in {self.place.words}",)
        heat = self._last.heat
        since = f"; a heat is open since {self.recorder.now_s - heat.start_s:.0f} s" if heat else "; no heat is open"
        lines = [f"Recorded in {self.place.words}{since}"]
        if heat and (plan := plan_words(heat.form.plan_json)):
            lines.append(plan)
        return (*lines, *self.waiting())

    def waiting(self) -> tuple[str, ...]:
        """What is not in the store, and why, in a sentence; empty while all goes its way."""
        if self._last is None:
            return ()
        kept = self._last.kept
        if kept.unsaved:
            return (f"NOT SAVED: {kept.unsaved} entries are in memory only: {kept.trouble}",)
        if kept.trouble:
            return (f"{kept.spooled} entries wait in the spool, safe on this disk: {kept.trouble}",)
        if kept.spooled > _ON_THEIR_WAY:
            return (f"{kept.spooled} entries, safe on this disk, are on their way into the store",)
        return ()

    def as_json(self) -> dict[str, Any]:
        """One object for `--json`."""
        kept = self.recorder.kept(_STORED_WITHIN_S)
        return {
            "store": self.place.words,
            "run": self.recorder.run.id,
            "heats_begun": len(self._begun),
            "marks": [
                {"time_s": round(mark.at_s, 2), "name": mark.name, "source": mark.source, "by": mark.by,
                 "note": mark.note} for mark in self.marks
            ],
            "spooled": kept.spooled,
            "unsaved": kept.unsaved,
            "trouble": kept.trouble,
        }  # fmt: skip


def prepare() -> None:
    """Import what is slow to import, before a clock runs that counts."""
    from importlib import import_module

    for name in ("logger.recorder", "logger.store"):
        import_module(name)


@contextmanager
def recorded(reader: BenchReader, bench: Bench, place: StorePlace, clock: Clock, form: HeatForm,
             planner: HeatPlanner | None = None) -> Iterator[Recording]:  # fmt: skip
    """Record a bench for as long as this lasts; at its end the run is closed.

    Args:
        clock: that of the reader. form: of the heats that begin. planner: of the heat that is open.

    Raises:
        InputError: another recorder has the bench, or the store is damaged or a newer version's.
    """
    from logger.marks import Mailbox
    from logger.recorder import Recorder
    from logger.spool import Spool
    from logger.store import open_store

    place.make()
    looked_through = False

    def opener() -> RecorderStore:
        nonlocal looked_through
        store = open_store(place.url, check=not looked_through)
        looked_through = True  # a large store takes seconds to look through: once is enough, at the start
        return store

    if place.file is not None and place.file.exists():
        # A damaged or newer store is said now, before a sheet is heated; one that is only busy is waited for.
        _refuse_unusable(place)
    recorder = Recorder(
        reader,
        opener,
        Spool(place.spool / bench.id),
        clock,
        bench,
        mailbox=Mailbox(place.marks / bench.id),
        form=form,
        software=software(bench),
    )
    recording = Recording(recorder, place, planner)
    try:
        yield recording
    finally:
        try:
            recording.finish()
        finally:
            recorder.close()


def _refuse_unusable(place: StorePlace) -> None:
    from logger.records import StoreDown
    from logger.store import open_store

    try:
        open_store(place.url).close()
    except StoreDown:
        return
    except BenchHeld:
        raise
    except InputError as error:
        raise InputError(
            f"{error}; nothing was overwritten: put a backup back with 'pullcue backup --restore DIR', or record "
            "elsewhere with --store"
        ) from None


def software(bench: Bench) -> str:
    """This program's name and version, and what of the bench was not measured now."""
    kinds = {source.kind for source in bench.sources}
    unreal = [
        word for kind, word in (("practice", SIMULATED), ("replay", "replayed from a heat file")) if kind in kinds
    ]
    return ", ".join([f"pullcue {version('pullcue')}", *unreal])


def form_for(shop: Shop, bench: Bench, **known: Any) -> HeatForm:
    """What is known of a bench's heats before anybody says anything: its oven and that oven's card.

    Args:
        known: further entries of the form.
    """
    form: dict[str, Any] = {
        "oven": bench.oven, "software": software(bench), "sensors_json": sensors_text(bench)
    }  # fmt: skip
    if polymer := known.get("polymer"):
        form["polymer_version"] = polymer_version(shop, polymer)
    return of_oven(shop, HeatForm(**(form | known)))


def of_oven(shop: Shop, form: HeatForm) -> HeatForm:
    """A form that names its oven, with that oven's card and, where nothing else is said, its setting."""
    if form.oven is None or form.oven not in shop.oven_ids():
        return form
    card = shop.oven(form.oven)
    text = json.dumps(asdict(card), ensure_ascii=False, default=_plain)
    return replace(form, card_json=text, set_c=card.set_c if form.set_c is None else form.set_c)


def _plain(value: object) -> Any:
    return value.tolist() if hasattr(value, "tolist") else str(value)


def polymer_version(shop: Shop, polymer: str) -> str | None:
    """Which state of a polymer's data is used: the first digits of its file's SHA-256; None where there is none."""
    import thermal

    for folder in (shop.folder / "polymers", Path(thermal.__file__).parent / "polymers"):
        path = folder / f"{polymer}.toml"
        if path.is_file():
            return f"sha256 {sha256(path.read_bytes()).hexdigest()[:16]}"
    return None
