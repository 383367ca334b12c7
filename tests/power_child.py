"""A recorder whose writes are traced: it says on standard output what it has acknowledged, and ends cleanly.

python power_child.py FOLDER SECONDS RUNS
"""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from logger.clock import ManualClock
from logger.clock_watch import ClockWatch
from logger.marks import Mailbox, request
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.spool import Spool
from logger.store import open_store
from recorder_rig import ScriptedSource, bench_of


def main(folder: Path, seconds: int, runs: int) -> None:
    for number in range(runs):
        clock = ManualClock(datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(seconds=1_000_000 * (number + 1)))
        bench, box = bench_of(), Mailbox(folder / "marks")
        source = ScriptedSource(bench, clock)
        recorder = Recorder(
            BenchReader(bench, [source], clock), lambda: open_store(f"sqlite:///{folder / 'store.sqlite'}"),
            Spool(folder / "spool"), clock, bench, mailbox=box, watch=ClockWatch(clock, lambda _: "+00:00 UTC"),
        )  # fmt: skip
        for second in range(seconds):
            if second % 4 == 1:
                asked = request(("start", "pulled", "demolded")[second // 4 % 3], 0)
                if second % 8 == 1:
                    box.post(asked)
                else:
                    recorder.mark(asked)
                _say("mark", asked.id)
            sent = source.sent
            if recorder.step(1.0).kept.unsaved == 0:
                _say("frames", recorder.run.id, sent - 10)
            if second % 3 == 0:
                recorder.kept(5.0)  # the thread is let to come up now and then, else all is stored at the end
        recorder.close()
        _say("frames", recorder.run.id, source.sent)


def _say(*words: object) -> None:
    os.write(1, (" ".join(map(str, ("acknowledged", *words))) + "\n").encode())


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
