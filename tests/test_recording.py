"""What a person is told of where the record is."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboard.commands.live_view import Looking, _Lines
from dashboard.live import LiveRecord
from dashboard.recording import Recording
from dashboard.store_place import StorePlace
from dashboard.units import Units
from logger.readings import BenchReader
from recorder_rig import Rig


def test_words_say_what_is_safe_and_what_is_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = Rig(tmp_path).start()
    recording = Recording(rig.recorder, StorePlace("sqlite:///there/pullcue.sqlite", tmp_path))

    def told(seconds: int) -> list[str]:
        for _ in range(seconds):
            recording.step(1.0)
        return list(recording.words())

    assert told(5) == [f"Recorded in {Path('there/pullcue.sqlite')}; no heat is open"]
    rig.store.down = True
    assert recording.waiting() == ()
    assert told(10)[1].startswith("10 entries wait in the spool, safe on this disk: the store does not take what is")
    rig.spool.full = True
    assert told(5)[1].startswith("NOT SAVED: 5 entries are in memory only: ")
    # It stands in the lines of a log as well, while it lasts.
    looking = Looking("a bench", Units(), 1.0, recording=recording)
    _Lines(looking).show(3.0, {}, LiveRecord(BenchReader(rig.bench, [rig.source], rig.clock), 0.0))
    assert "NOT SAVED: 5 entries" in capsys.readouterr().out
    rig.spool.full = False
    assert told(1)[1].startswith("16 entries wait in the spool")
    rig.store.down = False
    assert len(told(12)) == 1
    rig.recorder.close()


def test_a_mark_made_here_is_in_the_record_and_told_once(tmp_path: Path) -> None:
    rig = Rig(tmp_path).start()
    recording = Recording(rig.recorder, StorePlace("sqlite:///there/pullcue.sqlite", tmp_path))
    rig.run(10.0)
    recording.mark("door_closed", 4.0)
    ((ago_s, name),) = recording.take_told()
    assert ago_s == pytest.approx(4.0)
    assert name == "door_closed"
    assert recording.take_told() == []
    (mark,) = rig.store.named("door_closed")
    assert mark.at_s == pytest.approx(6.0)
    assert mark.source == "technician"
    assert [heat.start_s for heat in rig.store.heats.values()] == [pytest.approx(6.0)]
    rig.recorder.close()
