"""What the recorder asks of a store beside samples and marks, as values that can wait in a spool; and how each is done.

Doing one again after it was done changes nothing, even when others were done since: after a kill or a power cut nobody
knows how far the last recorder came, and the spool is read again from the beginning of its oldest file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, Protocol

from logger.records import Block, HeatForm, HeatRecord, Mark, Run, StartMove

Ended = Literal["finished", "aborted", "interrupted"]


class RecorderStore(Protocol):
    """Of a store, what the recorder uses: see `logger.store.Store`."""

    def add(self, blocks: Sequence[Block], marks: Sequence[Mark]) -> None:
        """Keep these, durable on return; what is there already is ignored."""

    def begin_run(self, run: Run) -> None:
        """A run begins."""

    def end_run(self, run: str, how: Literal["ended", "interrupted"], utc_ms: int) -> None:
        """A run ends."""

    def open_runs(self, bench: str | None = None) -> Sequence[Run]:
        """Runs that nobody ended."""

    def has_run(self, run: str) -> bool:
        """Whether a run was entered."""

    def last_block(self, run: str) -> tuple[int, int] | None:
        """(second, utc_ms) of the newest second of a run."""

    def begin_heat(self, record: HeatRecord) -> object:
        """A heat begins; once only for an id."""

    def set_form(self, heat_id: str, form: HeatForm) -> None:
        """The form of an open heat is another one."""

    def start_moves(self, heat_id: str) -> Sequence[StartMove]:
        """Moves of a heat's start, in their order."""

    def move_start(self, heat_id: str, new_start_s: float, who: str, why: str) -> object:
        """The start of an open heat is set back or forward."""

    def finish_heat(self, heat_id: str, end_s: float, state: Ended) -> object:
        """A heat is over."""

    def open_heats(self, bench: str | None = None) -> Sequence[HeatRecord]:
        """Heats without an end."""

    def marks(self, bench: str, run: str) -> Sequence[Mark]:
        """Marks of a run."""

    def thin(self, bench: str, run: str, before_s: float) -> int:
        """Thin the samples outside of heats."""

    def hold(self, bench: str, token: str, utc_ms: int) -> object:
        """Take a bench, or say that it goes on."""

    def release(self, bench: str, token: str) -> None:
        """Let go of a bench."""

    def close(self) -> None:
        """Let go of the store."""


@dataclass(frozen=True)
class BeginRun:
    """A recorder started. Whatever its bench had open was interrupted: that is closed first."""

    run: Run


@dataclass(frozen=True)
class EndRun:
    """The recorder was stopped."""

    run: str
    utc_ms: int


@dataclass(frozen=True)
class BeginHeat:
    """A sheet went in."""

    heat: HeatRecord


@dataclass(frozen=True)
class MoveStart:
    """The start was set back or forward. `number`: how many moves of this heat there were before."""

    heat: str
    start_s: float
    who: str
    why: str
    number: int


@dataclass(frozen=True)
class FinishHeat:
    """The heat is over."""

    heat: str
    end_s: float
    state: Ended


@dataclass(frozen=True)
class FillForm:
    """What somebody says of the open heat. `form`: the whole form, as `HeatForm.as_table`."""

    heat: str
    form: Mapping[str, Any]


Action = BeginRun | EndRun | BeginHeat | MoveStart | FinishHeat | FillForm
_KINDS: Mapping[str, type[Action]] = {
    kind.__name__: kind for kind in (BeginRun, EndRun, BeginHeat, MoveStart, FinishHeat, FillForm)
}


def action_table(action: Action) -> dict[str, Any]:
    """As a JSON object."""
    match action:
        case BeginHeat(heat):
            form = heat.form.as_table()
            table: dict[str, Any] = {name: getattr(heat, name) for name in heat.__dataclass_fields__ if name != "form"}
            return {"kind": "BeginHeat", "heat": {**table, "form": form}}
        case _:
            return {"kind": type(action).__name__, **asdict(action)}


def action_from_table(table: Mapping[str, Any]) -> Action:
    """The action that `action_table` gave.

    Raises:
        KeyError, TypeError: for what is none.
    """
    rest = {name: value for name, value in table.items() if name != "kind"}
    kind = _KINDS[table["kind"]]
    if kind is BeginRun:
        return BeginRun(Run(**rest["run"]))
    if kind is BeginHeat:
        form = HeatForm.from_table(rest["heat"].pop("form"))
        return BeginHeat(HeatRecord(form=form, **rest["heat"]))
    return kind(**rest)


def do(action: Action, store: RecorderStore) -> None:
    """Do one action, unless it was done before.

    Raises:
        InputError: the store refuses it, and always will.
    """
    match action:
        case BeginRun(run):
            if not store.has_run(run.id):  # else what is open now may be of a later run
                _close_interrupted(store, run)
                store.begin_run(run)
        case EndRun(run_id, utc_ms):
            store.end_run(run_id, "ended", utc_ms)
        case BeginHeat(heat):
            store.begin_heat(heat)
        case MoveStart(heat_id, start_s, who, why, number):
            if _open_heat(store, heat_id) is not None and len(store.start_moves(heat_id)) <= number:
                store.move_start(heat_id, start_s, who, why)
        case FillForm(heat_id, form):
            if _open_heat(store, heat_id) is not None:
                store.set_form(heat_id, HeatForm.from_table(form))
        case FinishHeat(heat_id, end_s, state):
            if _open_heat(store, heat_id) is not None:
                store.finish_heat(heat_id, end_s, state)


def _open_heat(store: RecorderStore, id: str) -> HeatRecord | None:
    return next((heat for heat in store.open_heats() if heat.id == id), None)


def _close_interrupted(store: RecorderStore, new: Run) -> None:
    """Close what earlier runs of the bench left open, at the end of the last second they stored."""
    for heat in store.open_heats(new.bench):
        last = store.last_block(heat.run)
        store.finish_heat(heat.id, max(0.0 if last is None else last[0] + 1.0, heat.start_s), "interrupted")
    for run in store.open_runs(new.bench):
        last = store.last_block(run.id)
        store.end_run(run.id, "interrupted", run.started_utc_ms if last is None else last[1] + 1000)
