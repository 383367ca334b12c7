"""Which marks and door openings begin, move and end a heat.

begin   'start', or 'door_closed' by a person or a button with no heat open and none pulled in the last 2 minutes; or a
        door that opened (see `logger.door`) with no heat open and none pulled in the last minute.
move    'start' with a heat open moves its start, and the move is kept with who and why. A start more than 5 minutes
        after the open heat's is a new sheet: nobody marked the old one's end, and it is closed as aborted.
end     'pulled'; or the sheet seen to leave through the open door, from 60 s after the start; or, with nothing measured
        on the sheet, a door that opened 3 minutes or more after the start. A person's or button's word replaces the
        door's. The heat is closed as finished 2 minutes later, or when it is demolded, when somebody says what became
        of it, or when the next one starts: until then the end can be taken back.
undo    of a start: the heat is aborted; of a moved start: it goes back; of an end: the heat goes on.
form    what is said of the sheet belongs to the heat that is open, else to the next one that begins, and to no other.

The numbers are our choice. The id of a heat is that of the mark that began it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from logger.actions import Action, BeginHeat, Ended, FillForm, FinishHeat, MoveStart
from logger.door import DoorOpened, SheetLeft
from logger.marks import DOOR_CLOSED, DOOR_OPEN, FORM, PULLED, START
from logger.records import HeatForm, HeatRecord, Mark, MarkSource, in_force, new_id

FINISH_AFTER_S, NEW_SHEET_S = 120.0, 300.0
#: A start is set back by no more than this, s: before, samples may be thinned.
SET_BACK_S = 1800.0
NO_DOOR_AFTER_S, NO_START_AFTER_S = 60.0, 120.0
LEFT_AFTER_S, PULLED_AFTER_S = 60.0, 180.0
#: A person's mark so near to a door's signature tells of the same opening, s.
SAME_S = 30.0
_OF_DOOR = (START, DOOR_OPEN, DOOR_CLOSED, PULLED)
#: A start that is moved by less was not moved, s.
_MOVED_S = 0.05


def _filled(table: Mapping[str, Any], said: Mapping[str, Any]) -> dict[str, Any]:
    """A form's table with what was said; checks one by one."""
    checks = {**(table.get("checks") or {}), **(said.get("checks") or {})}
    known = {name: done for name, done in checks.items() if done is not None}
    return {**table, **said} | ({"checks": known} if known or "checks" in table else {})


@dataclass(frozen=True)
class OpenHeat:
    """A heat that goes on.

    Attributes:
        moves: of the start that stand, (mark, start before it). moved: how often it was moved, moves back included.
        pulled: the end that is not closed yet, (mark, s of the run, when it was said).
    """

    record: HeatRecord
    moves: tuple[tuple[str, float], ...] = ()
    moved: int = 0
    pulled: tuple[Mark, float] | None = None


@dataclass
class HeatBook:
    """The heats of one run.

    Args:
        utc_ms: UTC of a moment of the run. form: what is said of the heats that begin from now on. early: what was said
        of the next one, as `HeatForm.as_table`.
    """

    bench: str
    run: str
    utc_ms: Callable[[float], int]
    form: HeatForm = field(default_factory=HeatForm)
    heat: OpenHeat | None = None
    ended_s: float = float("-inf")
    marks: list[Mark] = field(default_factory=list)
    early: dict[str, Any] = field(default_factory=dict)

    def mark(self, mark: Mark, now_s: float) -> list[Action]:
        """What follows from a mark, s of the run."""
        self.marks.append(mark)
        if mark.undoes is not None:
            return self._undo(mark.undoes, now_s)
        match mark.name:
            case "start":
                return self._start(mark)
            case "door_closed" if self.heat is None and mark.at_s - self.ended_s >= NO_START_AFTER_S:
                return self._begin(mark)
            case "pulled":
                self._pulled(mark, now_s)
            case "demolded" if self.heat is not None and self.heat.pulled is not None:
                return self._finish()
        return []

    def said(self, form: Mapping[str, Any]) -> list[Action]:
        """What follows when somebody says something of the heat, as `HeatForm.as_table`; the rest stays.

        Args:
            form: None takes an entry, or a check, back to 'nothing is known'.
        """
        if self.heat is None:
            self.early = _filled(self.early, form)
            return []
        record = self.heat.record
        whole = HeatForm.from_table(_filled(record.form.as_table(), form))
        self.heat = replace(self.heat, record=replace(record, form=whole))
        return [FillForm(record.id, whole.as_table())]

    def door(self, event: DoorOpened | SheetLeft, now_s: float) -> tuple[list[Mark], list[Action]]:
        """What follows from the door's signature: its marks, which need not be given to `mark`, and actions."""
        if isinstance(event, SheetLeft):
            marks = self._left(event.opened_s, LEFT_AFTER_S, "the sheet was seen to leave through the open door")
        else:
            marks = self._opened(event)
        actions: list[Action] = []
        for mark in marks:
            if mark.name in (START, PULLED):
                actions += self.mark(mark, now_s)
            else:
                self.marks.append(mark)
        return marks, actions

    def due(self, now_s: float) -> list[Action]:
        """What time itself brings: a heat that was pulled is closed."""
        if self.heat is not None and self.heat.pulled is not None and now_s - self.heat.pulled[1] >= FINISH_AFTER_S:
            return self._finish()
        return []

    def over(self) -> list[Action]:
        """Somebody says what became of the part: a heat that was pulled is closed at once, its end stands."""
        return self._finish() if self.heat is not None and self.heat.pulled is not None else []

    def close(self, now_s: float) -> list[Action]:
        """The recorder stops: a heat that was pulled is finished, any other was interrupted."""
        if self.heat is None:
            return []
        return self._finish() if self.heat.pulled is not None else self._end(max(now_s, self._start_s), "interrupted")

    @property
    def next_form(self) -> HeatForm:
        """The form of the next heat, as far as it is known."""
        return HeatForm.from_table(_filled(self.form.as_table(), self.early))

    def last_mark(self) -> Mark | None:
        """The last mark that can be taken back: the latest given of those in force, whatever its moment."""
        can = (mark for mark in reversed(in_force(self.marks)) if mark.name != FORM)
        return next(can, None)

    # ------------------------------------------------------------ begin, move, end

    @property
    def _start_s(self) -> float:
        assert self.heat is not None
        return self.heat.record.start_s

    def _start(self, mark: Mark) -> list[Action]:
        heat = self.heat
        if heat is None:
            return self._begin(mark)
        if heat.pulled is not None and mark.at_s > heat.pulled[0].at_s:
            return [*self._finish(), *self._begin(mark)]
        if mark.at_s - self._start_s > NEW_SHEET_S:
            return [*self._end(mark.at_s, "aborted"), *self._begin(mark)]
        if mark.source == "door":
            return []
        earliest_s = max(0.0, self.ended_s, self._start_s - SET_BACK_S)
        return self._move(mark, max(mark.at_s, earliest_s), "start marked")

    def _move(self, mark: Mark, start_s: float, why: str) -> list[Action]:
        assert self.heat is not None
        before_s = self._start_s
        if abs(start_s - before_s) < _MOVED_S:
            return []
        self.heat = replace(
            self.heat,
            record=replace(self.heat.record, start_s=start_s, start_utc_ms=self.utc_ms(start_s)),
            moves=(*self.heat.moves, (mark.id, before_s)),
            moved=self.heat.moved + 1,
        )
        return [MoveStart(self.heat.record.id, start_s, mark.by or mark.source, why, self.heat.moved - 1)]

    def _begin(self, mark: Mark) -> list[Action]:
        start_s = max(mark.at_s, self.ended_s)
        form = HeatForm.from_table(_filled(self.form.as_table(), self.early))
        self.early = {}
        record = HeatRecord(0, mark.id, self.bench, self.run, start_s, self.utc_ms(start_s), form=form)
        self.heat = OpenHeat(record)
        return [BeginHeat(record)]

    def _pulled(self, mark: Mark, now_s: float) -> None:
        if self.heat is None or mark.at_s <= self._start_s:
            return
        if self.heat.pulled is None or mark.source != "door":
            self.heat = replace(self.heat, pulled=(mark, now_s))

    def _finish(self) -> list[Action]:
        assert self.heat is not None
        assert self.heat.pulled is not None
        return self._end(self.heat.pulled[0].at_s, "finished")

    def _end(self, end_s: float, state: Ended) -> list[Action]:
        assert self.heat is not None
        record, self.heat = self.heat.record, None
        self.ended_s = end_s if state != "aborted" else self.ended_s
        return [FinishHeat(record.id, end_s, state)]

    # ------------------------------------------------------------ the door

    def _opened(self, event: DoorOpened) -> list[Mark]:
        marks = []
        if not self._told_by_person(event):
            marks.append(self._of_door(event.opened_s, DOOR_OPEN, "seen in the air"))
            if event.shut_s is not None:
                marks.append(self._of_door(event.shut_s, DOOR_CLOSED, "seen in the air"))
        last_s = max(self.ended_s, self.heat.pulled[0].at_s if self.heat and self.heat.pulled else float("-inf"))
        if (self.heat is None or self.heat.pulled is not None) and event.opened_s - last_s >= NO_DOOR_AFTER_S:
            words = "the door was opened with no heat open; the sheet's moment is known to some seconds only"
            marks.append(self._of_door(event.sheet_in_s, START, words))
        elif not event.seen:
            words = "the door was opened; nothing measures the sheet, so this may have been a look only"
            marks += self._left(event.opened_s, PULLED_AFTER_S, words)
        return marks

    def _left(self, opened_s: float, after_s: float, words: str) -> list[Mark]:
        if self.heat is None or self.heat.pulled is not None or opened_s - self._start_s < after_s:
            return []
        return [self._of_door(opened_s, PULLED, words)]

    def _told_by_person(self, event: DoorOpened) -> bool:
        until_s = event.shut_s if event.shut_s is not None else event.opened_s
        return any(
            mark.name in _OF_DOOR
            and mark.source in ("technician", "button")
            and event.opened_s - SAME_S <= mark.at_s <= until_s + SAME_S
            for mark in self.marks
        )

    def _of_door(self, at_s: float, name: str, note: str) -> Mark:
        source: MarkSource = "door"
        return Mark(new_id(), self.bench, self.run, at_s, self.utc_ms(at_s), name, note=note, source=source)

    # ------------------------------------------------------------ taking back

    def _undo(self, id: str, now_s: float) -> list[Action]:
        heat = self.heat
        if heat is None:
            return []
        if heat.pulled is not None and heat.pulled[0].id == id:
            self.heat = replace(heat, pulled=None)
        elif heat.record.id == id:
            return self._end(max(now_s, self._start_s), "aborted")
        elif heat.moves and heat.moves[-1][0] == id:
            before_s = heat.moves[-1][1]
            record = replace(heat.record, start_s=before_s, start_utc_ms=self.utc_ms(before_s))
            self.heat = replace(heat, record=record, moves=heat.moves[:-1], moved=heat.moved + 1)
            who = next((mark.by or mark.source for mark in reversed(self.marks) if mark.undoes == id), "")
            why = "the mark that moved the start was taken back"
            return [MoveStart(record.id, before_s, who, why, heat.moved)]
        return []
