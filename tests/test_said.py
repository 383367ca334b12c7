"""What is said of a sheet: the form of the open heat, of the next one, and marks taken back across runs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.actions import FillForm, action_from_table, action_table
from logger.clock import ManualClock
from logger.clock_watch import ClockWatch
from logger.heat_book import HeatBook
from logger.marks import Mailbox, Request, request, undo
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.records import HeatForm, Mark, in_force
from logger.spool import Spool
from logger.store import Store, open_store
from recorder_rig import ScriptedSource, bench_of
from thermal.fields import InputError


class Rig:
    """A recorder with a real store; it may be killed and started again."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.clock, self.bench = folder, ManualClock(), bench_of()
        self.box = Mailbox(folder / "marks")
        self.store = open_store(f"sqlite:///{folder / 'store.sqlite'}")

    def start(self) -> Rig:
        reader = BenchReader(self.bench, [ScriptedSource(self.bench, self.clock)], self.clock)
        form = HeatForm(oven="north", set_c=185.0, software="pullcue test")
        self.spool = Spool(self.folder / "spool")
        self.recorder = Recorder(
            reader, lambda: open_store(f"sqlite:///{self.folder / 'store.sqlite'}"), self.spool, self.clock,
            self.bench, mailbox=self.box, form=form, watch=ClockWatch(self.clock, lambda _: "UTC"),
            software="pullcue test", own_thread=False,
        )  # fmt: skip
        return self

    def run(self, duration_s: float) -> None:
        for _ in range(round(duration_s)):
            self.recorder.step(1.0)

    def ask(self, name: str, **words: object) -> Request:
        asked = request(name, round(self.clock.utc().timestamp() * 1e3), **words)  # type: ignore[arg-type]  # as given
        self.box.post(asked)
        self.run(1.0)
        assert self.box.waiting() == []
        return asked


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path).start()
    yield rig
    rig.recorder.close()
    rig.store.close()


def the_heat(store: Store) -> HeatForm:
    (heat,) = store.heats()
    return heat.form


def test_what_is_said_at_the_start_is_kept_and_added_to(rig: Rig) -> None:
    rig.ask("start", form={"polymer": "pp", "gauge_mm": 6.0, "checks": {"film_off": True}})
    begun = the_heat(rig.store)
    assert (begun.polymer, begun.gauge_mm, begun.oven, begun.set_c) == ("pp", 6.0, "north", 185.0)
    rig.run(30.0)
    rig.ask("form", form={"sheet_label": "lot 1", "gauge_mm": 5.0, "checks": {"label_kept": False}}, by="AB")
    now = the_heat(rig.store)
    assert (now.polymer, now.gauge_mm, now.sheet_label) == ("pp", 5.0, "lot 1")
    assert dict(now.checks) == {"film_off": True, "label_kept": False}
    (heat,) = rig.store.heats()
    assert heat.start_s == pytest.approx(1.0, abs=1.1)  # the form moves no start
    rig.ask("form", form={"sheet_label": None, "checks": {"film_off": None}})
    now = the_heat(rig.store)
    assert (now.sheet_label, dict(now.checks)) == (None, {"label_kept": False})


def test_what_is_said_before_belongs_to_the_next_heat_alone(rig: Rig) -> None:
    rig.ask("form", form={"sheet_label": "lot 1"})
    rig.ask("form", form={"job_number": "J1"})
    assert rig.store.heats() == []
    rig.ask("start")
    assert (the_heat(rig.store).sheet_label, the_heat(rig.store).job_number) == ("lot 1", "J1")
    rig.run(120.0)
    rig.ask("pulled")
    rig.run(130.0)
    rig.ask("start")
    second, first = rig.store.heats()
    assert (first.state, first.form.sheet_label) == ("finished", "lot 1")
    assert (second.form.sheet_label, second.form.oven) == (None, "north")


def test_undo_passes_over_the_form(rig: Rig) -> None:
    rig.ask("start")
    rig.run(5.0)
    line = rig.ask("line_1")
    rig.ask("form", form={"sheet_label": "lot 1"})
    rig.box.post(undo(round(rig.clock.utc().timestamp() * 1e3)))
    rig.run(1.0)
    (mark,) = [one for one in rig.store.marks(rig.bench.id, rig.recorder.run.id) if one.name == "undo"]
    assert mark.undoes == line.id
    assert the_heat(rig.store).sheet_label == "lot 1"


def test_an_undo_that_found_nothing_is_nothing_to_take_back(rig: Rig) -> None:
    now_ms = round(rig.clock.utc().timestamp() * 1e3)
    for _ in range(2):
        rig.box.post(undo(now_ms))
        rig.run(1.0)
    marks = [one for one in rig.store.marks(rig.bench.id, rig.recorder.run.id) if one.name == "undo"]
    assert [(one.undoes, one.note) for one in marks] == [(None, "nothing to take back")] * 2
    assert in_force(marks) == []


def test_the_recorder_says_something_itself(rig: Rig) -> None:
    rig.recorder.say({"notes": "nobody has begun"})
    assert rig.store.heats() == []
    rig.ask("start")
    rig.recorder.say({"plan_json": "{}"})
    rig.run(1.0)
    assert (the_heat(rig.store).plan_json, the_heat(rig.store).notes) == ("{}", None)


def test_a_mark_of_an_earlier_run_is_taken_back(rig: Rig) -> None:
    """The heat that a killed recorder left has ended: the undo stands beside it with a link of its own."""
    rig.ask("start")
    line = rig.ask("line_1")
    rig.run(20.0)
    first = rig.recorder.run.id
    rig.spool._lock.close()
    with rig.store._write() as connection:
        connection.exec_driver_sql("DELETE FROM holders")
    rig.start()
    rig.run(2.0)
    rig.box.post(undo(round(rig.clock.utc().timestamp() * 1e3), "AB", line.id))
    rig.run(2.0)
    (heat,) = rig.store.heats()
    assert heat.state == "interrupted"
    marks = rig.store.marks(rig.bench.id, first)
    (taken_back,) = [one for one in marks if one.undoes == line.id]
    assert taken_back.run == rig.recorder.run.id != first
    assert [link.kind for link in rig.store.links()] == ["heat", "mark"]
    assert rig.store.verify() == []


def test_a_mark_of_an_earlier_heat_is_taken_back_while_another_goes_on(rig: Rig) -> None:
    rig.ask("start")
    line = rig.ask("line_1")
    rig.run(100.0)
    rig.ask("pulled")
    rig.run(130.0)
    rig.ask("start")
    rig.run(10.0)
    rig.box.post(undo(round(rig.clock.utc().timestamp() * 1e3), "AB", line.id))
    rig.run(100.0)
    rig.ask("pulled")
    rig.run(130.0)
    assert [heat.state for heat in rig.store.heats()] == ["finished", "finished"]
    assert [link.kind for link in rig.store.links()] == ["heat", "mark", "heat"]
    assert rig.store.verify() == []


@pytest.mark.parametrize("form", [None, {}])
def test_an_empty_form_is_refused(form: dict[str, object] | None) -> None:
    with pytest.raises(InputError, match="nothing is said of the sheet"):
        request("form", 0, form=form)


def test_a_form_that_none_can_hold_is_refused() -> None:
    with pytest.raises(InputError, match="not known"):
        request("start", 0, form={"patient": "x"})


def test_fill_form_waits_in_a_spool_as_it_is() -> None:
    said = FillForm("1" * 32, {"polymer": "pp", "checks": {"film_off": True}, "opening_mm": [300.0, 200.0]})
    assert action_from_table(action_table(said)) == said


def test_the_book_keeps_what_was_said_before_a_heat() -> None:
    book = HeatBook("b", "r", lambda at_s: round(at_s * 1e3), HeatForm(oven="north"))
    assert book.said({"polymer": "pp"}) == []
    book.mark(Mark("m", "b", "r", 1.0, 1000, "start"), 1.0)
    assert book.heat is not None
    assert book.heat.record.form == HeatForm(oven="north", polymer="pp")
    assert book.early == {}
