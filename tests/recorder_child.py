"""A recorder in a process of its own, to be killed: it says on standard output how many frames and marks it has
acknowledged.

python recorder_child.py FOLDER LATER_S
"""

from __future__ import annotations

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


def main(folder: Path, later_s: int) -> None:
    clock = ManualClock(datetime(2026, 1, 5, 8, tzinfo=UTC) + timedelta(seconds=later_s))
    bench = bench_of()
    source = ScriptedSource(bench, clock, lambda _: [100.0 + 0.001 * source.sent] * 4)
    recorder = Recorder(
        BenchReader(bench, [source], clock), lambda: open_store(f"sqlite:///{folder / 'store.sqlite'}"),
        Spool(folder / "spool"), clock, bench, mailbox=Mailbox(folder / "marks"),
        watch=ClockWatch(clock, lambda _: "+00:00 UTC"),
    )  # fmt: skip
    marks = 0
    while True:
        if source.sent >= 450 * marks:  # a heat of 45 s, closed 120 s after its pull or when the next one starts
            marks += 1
            recorder.mark(request("start" if marks % 2 else "pulled", 0, by=f"{marks}"))
        sent = source.sent
        kept = recorder.step(1.0).kept
        # A frame is kept with its second, half a second after that is over: the last step's may wait.
        if kept.unsaved == 0:
            print(sent - 10, marks, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
