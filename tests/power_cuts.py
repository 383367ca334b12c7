"""Power cuts at every sync of a recorder's life, from a trace of it: what is left must hold all it had acknowledged."""

from __future__ import annotations

import os
import random
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from logger.marks import Mailbox
from logger.spool import Spool
from logger.store import open_store
from recorder_rig import samples_of
from write_log import Disk, calls, trace

HERE = Path(__file__).parent
BENCH = "north-bench"


@dataclass
class Said:
    """What was acknowledged so far: frames by run, ids of marks."""

    frames: dict[str, int] = field(default_factory=dict)
    marks: set[str] = field(default_factory=set)

    def hear(self, line: bytes) -> None:
        match line.decode().split():
            case ["acknowledged", "frames", run, count]:
                self.frames[run] = int(count)
            case ["acknowledged", "mark", id]:
                self.marks.add(id)


def recorded(folder: Path, seconds: int, runs: int) -> Path:
    """The trace of a recorder that was started `runs` times and ran for so many seconds each."""
    data, log = folder / "data", folder / "log"
    data.mkdir()
    paths = os.pathsep.join((str(HERE.parent), str(HERE)))
    trace([sys.executable, str(HERE / "power_child.py"), str(data), str(seconds), str(runs)], log,
          cwd=HERE.parent, env={**os.environ, "PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": "1"})  # fmt: skip
    return log


def cut_everywhere(
    folder: Path, log: Path, wanted: Callable[[int], bool], drawn: int, seed: int, disk_of: type[Disk] = Disk
) -> tuple[int, int, list[str]]:
    """(syncs in all, cuts looked at, what was lost or broken).

    Args:
        wanted: which syncs to cut at, by their number. drawn: cuts with a random part of what was not sure, each.
    """
    disk, said, syncs, cuts = disk_of(folder / "data"), Said(), 0, 0
    problems: list[str] = []
    for call in calls(log):
        if call.name == "write" and call.data.startswith(b"acknowledged"):
            said.hear(call.data)
        if not disk.take(call):
            continue
        syncs += 1
        if not wanted(syncs):
            continue
        for number in range(drawn + 1):
            target = folder / "cut"
            shutil.rmtree(target, ignore_errors=True)
            target.mkdir()
            disk.leave(target, random.Random(f"{seed} {syncs} {number}") if number else None)
            problems += [f"sync {syncs}, cut {number}: {text}" for text in lost(target, said)]
            cuts += 1
    return syncs, cuts, problems


def lost(folder: Path, said: Said) -> list[str]:
    """What was acknowledged and is not there, or there twice, and what is broken."""
    spool = Spool(folder / "spool")
    waiting = [entry for _, entry in spool.pending()]
    spool.close()
    store = open_store(f"sqlite:///{folder / 'store.sqlite'}")
    try:
        problems = store.verify()
        runs = {run.id for run in store.runs()}
        marks = {mark.id for entry in waiting for mark in entry.marks}
        marks |= {one.id for one in Mailbox(folder / "marks").waiting()}
        marks |= {mark.id for run in runs for mark in store.marks(BENCH, run, -1e9, 1e9)}
        problems += [f"mark {id} is lost" for id in said.marks - marks]
        for run, frames in said.frames.items():
            kept = store.blocks(BENCH, run) if run in runs else []
            there = {block.second for block in kept}
            late = {block.second: block for entry in waiting for block in entry.blocks if block.run == run}
            blocks = [*kept, *(block for second, block in late.items() if second not in there)]
            numbers = [round((value - 180.0) * 1e3) for _, value in samples_of(blocks)]
            if numbers != list(range(1, len(numbers) + 1)) or len(numbers) < frames:
                problems.append(f"run {run}: {frames} frames were acknowledged, there are {len(numbers)}: {numbers}")
        return problems
    finally:
        store.close()
