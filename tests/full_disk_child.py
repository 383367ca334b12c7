"""A recorder with store and spool on a disk that fills up and is freed; it prints what it saw as JSON.

python full_disk_child.py FOLDER fill|limit

fill: FOLDER is a small file system of its own, which is filled with a file that is removed again. limit: no file may
grow beyond a size for a while, which looks the same to a program, for where nothing may be mounted.
"""

from __future__ import annotations

import json
import resource
import sys
from contextlib import suppress
from pathlib import Path

from logger.clock import ManualClock
from logger.clock_watch import ClockWatch
from logger.marks import request
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.spool import Spool
from logger.store import open_store
from recorder_rig import ScriptedSource, bench_of, samples_of


def fill(folder: Path) -> None:
    with (folder / "filler").open("wb", buffering=0) as file:
        for size in (65536, 4096, 1):
            with suppress(OSError):
                while True:
                    file.write(b"x" * size)


def main(folder: Path, how: str) -> None:
    clock, bench = ManualClock(), bench_of(12)
    source = ScriptedSource(bench, clock)
    recorder = Recorder(
        BenchReader(bench, [source], clock), lambda: open_store(f"sqlite:///{folder / 'store.sqlite'}", busy_s=0.1),
        Spool(folder / "spool"), clock, bench, watch=ClockWatch(clock, lambda _: "+00:00 UTC"),
    )  # fmt: skip

    def run(seconds: int) -> int:
        unsaved = 0
        for _ in range(seconds):
            unsaved = max(unsaved, recorder.step(1.0).kept.unsaved)
        return unsaved

    recorder.mark(request("start", 0))
    before = run(20)
    recorder.kept(20.0)
    most = resource.getrlimit(resource.RLIMIT_FSIZE)
    if how == "fill":
        fill(folder)
    else:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, most[1]))
    during, words = run(120), recorder.kept().trouble
    if how == "fill":
        (folder / "filler").unlink()
    else:
        resource.setrlimit(resource.RLIMIT_FSIZE, most)
    run(30)
    recorder.mark(request("pulled", 0))
    recorder.kept(20.0)
    recorder.close()
    after = recorder.kept()
    store = open_store(f"sqlite:///{folder / 'store.sqlite'}")
    values = [value for _, value in samples_of(store.blocks(bench.id, recorder.run.id))]
    print(json.dumps({
        "before": before, "during": during, "words": words, "after": [after.spooled, after.unsaved],
        "whole": values == [180.0 + 0.001 * n for n in range(1, source.sent + 1)], "frames": source.sent,
        "problems": store.verify(), "states": [heat.state for heat in store.heats()],
    }))  # fmt: skip
    store.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
