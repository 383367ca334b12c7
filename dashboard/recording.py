"""A bench that is looked at and recorded: recorder, store, spool and mailbox put together."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.shop import Shop
from dashboard.store_place import StorePlace
from logger.bench import Bench
from logger.clock import Clock
from logger.heat_export import SIMULATED
from logger.readings import BenchArrival, BenchReader
from logger.records import BenchHeld, HeatForm, Mark
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.actions import RecorderStore
    from logger.recorder import Recorder, Round

_MARKS_KEPT = 200


class Recording:
    """A recorder and what it has to tell."""

    def __init__(self, recorder: Recorder, place: StorePlace) -> None:
        self.recorder, self.place = recorder, place
        self._last: Round | None = None
        self._begun: set[str] = set()
        self.marks: list[Mark] = []

    def step(self, timeout_s: float) -> Sequence[BenchArrival]:
        """One round of recording; what arrived."""
        self._last = self.recorder.step(timeout_s)
        self.marks = [*self.marks, *self._last.marks][-_MARKS_KEPT:]
        if self._last.heat is not None:
            self._begun.add(self._last.heat.id)
        return self._last.arrivals

    def words(self) -> tuple[str, ...]:
        """Whether a heat is open and whether all goes into the store, a sentence each."""
        if self._last is None:
            return (f"Recorded in {self.place.words}",)
        heat, kept = self._last.heat, self._last.kept
        since = f"; a heat is open since {self.recorder.now_s - heat.start_s:.0f} s" if heat else "; no heat is open"
        lines = [f"Recorded in {self.place.words}{since}"]
        if kept.unsaved:
            lines.append(f"NOT SAVED: {kept.unsaved} entries are in memory only: {kept.trouble}")
        elif kept.spooled or kept.trouble:
            lines.append(f"{kept.spooled} entries wait in the spool, safe on this disk: {kept.trouble}")
        return tuple(lines)

    def as_json(self) -> dict[str, Any]:
        """One object for `--json`."""
        kept = self._last.kept if self._last else None
        return {
            "store": self.place.words,
            "run": self.recorder.run.id,
            "heats_begun": len(self._begun),
            "marks": [
                {"time_s": round(mark.at_s, 2), "name": mark.name, "source": mark.source, "by": mark.by,
                 "note": mark.note} for mark in self.marks
            ],
            "spooled": kept.spooled if kept else 0,
            "unsaved": kept.unsaved if kept else 0,
            "trouble": kept.trouble if kept else "",
        }  # fmt: skip


def prepare() -> None:
    """Import what is slow to import, before a clock runs that counts."""
    from importlib import import_module

    for name in ("logger.recorder", "logger.store"):
        import_module(name)


@contextmanager
def recorded(reader: BenchReader, bench: Bench, place: StorePlace, clock: Clock, form: HeatForm) -> Iterator[Recording]:
    """Record a bench for as long as this lasts; at its end the run is closed.

    Args:
        clock: that of the reader. form: of the heats that begin.

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
    try:
        yield Recording(recorder, place)
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
    form: dict[str, Any] = {"oven": bench.oven, "software": software(bench)}
    if bench.oven in shop.oven_ids():
        card = shop.oven(bench.oven)
        form |= {"set_c": card.set_c, "card_json": json.dumps(asdict(card), ensure_ascii=False, default=_plain)}
    if polymer := known.get("polymer"):
        form["polymer_version"] = polymer_version(shop, polymer)
    return HeatForm(**(form | known))


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
