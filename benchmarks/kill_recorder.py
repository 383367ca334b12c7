"""Kill a process that writes a store, with -9, at random moments, and look for what it had acknowledged.

    python benchmarks/kill_recorder.py [kills] [--seed N] [--url sqlite:///...]

A child adds seconds of samples, begins and finishes heats, and prints a line after each call has returned: that is its
word that the call is durable. After the kill, everything it gave its word for must be there to the last bit, the store
must open, and the chain must be whole. This shows what the death of a process does; a power cut also empties the
disk's cache, which no kill can show.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from logger.records import Block, HeatForm, HeatRecord, Mark, Run, new_id
from logger.store import Store, open_store

COLUMNS = tuple(f"air_{i}_c" for i in range(1, 17))
BENCH = "bench_1"


def block_of(run: str, second: int) -> Block:
    """The second that a child writes: drawn from its key, so that the parent can tell it to the last bit."""
    draw = np.random.default_rng([int(run, 16), second])
    offsets = np.arange(0, 1000, 100, dtype=np.int32)
    values = draw.normal(180.0, 5.0, (10, len(COLUMNS)))
    values[draw.random(values.shape) < 0.02] = np.nan
    return Block(
        BENCH, run, second, 1_000_000 + 1000 * second, COLUMNS, offsets, values, np.isnan(values) * np.uint8(8)
    )


def child(url: str) -> None:
    """Write until killed."""
    store = open_store(url)
    for heat in store.open_heats():
        store.finish_heat(heat.id, heat.start_s, "interrupted")
        print("ended", heat.id, flush=True)
    run = new_id()
    store.begin_run(Run(run, BENCH, 1_000_000, "UTC", "0"))
    print("run", run, flush=True)
    heat_id, second = "", 0
    while True:
        count = 1 + second % 3
        marks = [Mark(new_id(), BENCH, run, float(second), 0, "door")] if second % 7 == 0 else []
        store.add([block_of(run, second + i) for i in range(count)], marks)
        print("seconds", second, second + count, flush=True)
        for mark in marks:
            print("mark", mark.id, flush=True)
        second += count
        if second % 5 == 0 and not heat_id:
            heat = store.begin_heat(
                HeatRecord(0, new_id(), BENCH, run, second - 3.0, 0, form=HeatForm(sheet_label=f"lot {second}"))
            )
            heat_id = heat.id
            print("begun", heat_id, flush=True)
        elif heat_id and second % 4 == 0:
            store.finish_heat(heat_id, second - 0.5, "finished", "good")
            print("ended", heat_id, flush=True)
            heat_id = ""


@dataclass
class Word:
    """What children have acknowledged so far: seconds by run, marks, heats begun and ended."""

    seconds: dict[str, int] = field(default_factory=dict)
    marks: set[str] = field(default_factory=set)
    begun: set[str] = field(default_factory=set)
    ended: set[str] = field(default_factory=set)
    run: str = ""

    def hear(self, line: str) -> None:
        """Take a line of a child; one that was cut short is no word given."""
        if not line.endswith("\n"):
            return
        kind, *rest = line.split()
        if kind == "run":
            self.run = rest[0]
            self.seconds[self.run] = 0
        elif kind == "seconds":
            self.seconds[self.run] = int(rest[1])
        else:
            {"mark": self.marks, "begun": self.begun, "ended": self.ended}[kind].add(rest[0])


def kill_once(url: str, after_s: float, word: Word) -> None:
    """Start a child and kill it `after_s` after it has opened the store."""
    process = subprocess.Popen([sys.executable, __file__, "--child", url], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        first = process.stdout.readline()
        timer = threading.Timer(after_s, process.kill)
        timer.start()
        for line in (first, *process.stdout):
            word.hear(line)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def lost(store: Store, word: Word, runs: list[str]) -> list[str]:
    """What was acknowledged and is not there as it was written; `runs`: those to look through."""
    problems = store.verify()
    for run in runs:
        kept = store.blocks(BENCH, run)
        there = {block.second: block for block in kept}
        if len(there) != len(kept):
            problems.append(f"run {run}: seconds twice")
        problems += [
            f"run {run}: second {s} lost" for s in range(word.seconds[run]) if there.get(s) != block_of(run, s)
        ]
        problems += [f"run {run}: second {s} altered" for s, block in there.items() if block != block_of(run, s)]
    marks = {mark.id for run in store.runs() for mark in store.marks(BENCH, run.id)}
    problems += [f"mark {id} lost" for id in word.marks - marks]
    problems += [f"heat {id} is not ended" for id in word.ended if store.heat(id).state == "open"]
    for id in word.begun:
        store.heat(id)
    return problems


def campaign(url: str, kills: int, seed: int, longest_s: float = 0.25) -> tuple[Word, list[str]]:
    """Kill `kills` children, one after the other, on one store; what they acknowledged, and what is wrong."""
    draw, word, problems = random.Random(seed), Word(), []
    for kill in range(kills):
        before = set(word.seconds)
        kill_once(url, draw.uniform(0.0, longest_s), word)
        store = open_store(url)
        try:
            problems += [f"kill {kill + 1}: {text}" for text in lost(store, word, sorted(set(word.seconds) - before))]
        finally:
            store.close()
    return word, problems


def main() -> None:
    """Run as described above."""
    parser = argparse.ArgumentParser(description="Kill a recorder at random moments.")
    parser.add_argument("kills", nargs="?", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--url", default="")
    parser.add_argument("--child", default="")
    asked = parser.parse_args()
    if asked.child:
        child(asked.child)
        return
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        word, problems = campaign(asked.url or f"sqlite:///{Path(folder) / 'store.db'}", asked.kills, asked.seed)
    print(
        f"{asked.kills} kills in {time.monotonic() - began_s:.0f} s: {sum(word.seconds.values())} seconds, "
        f"{len(word.marks)} marks, {len(word.ended)} ended heats acknowledged; {len(problems)} problems"
    )
    for problem in problems:
        print(problem)
    sys.exit(bool(problems))


if __name__ == "__main__":
    main()
