"""Power cuts: a recorder's own writes and syncs are played back and cut at every sync."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from logger.marks import Mailbox
from logger.spool import Spool
from power_cuts import HERE, Said, cut_everywhere, lost, recorded
from recorder_rig import FULL
from write_log import Call, Disk, calls, can_trace, trace

#: Every so many syncs a cut; how many cuts with a drawn part of what was not sure at each; seconds recorded.
EVERY, DRAWN, SECONDS = (1, 4, 150) if FULL else (9, 1, 14)
needs_trace = pytest.mark.skipif(not can_trace(), reason="needs strace (apt-get install strace), and leave to trace")


def test_what_is_not_synced_may_be_gone_or_torn(tmp_path: Path) -> None:
    root = tmp_path / "root"
    disk, path = Disk(root), str(root / "a")
    for call in (
        Call("open", path, flags="O_CREAT"), Call("write", path, b"x" * 1000), Call("sync", path),
        Call("sync", str(root)), Call("write", path, b"y" * 1024), Call("open", str(root / "b"), flags="O_CREAT"),
    ):  # fmt: skip
        disk.take(call)
    (tmp_path / "sure").mkdir()
    disk.leave(tmp_path / "sure")
    assert (tmp_path / "sure" / "a").read_bytes() == b"x" * 1000
    assert not (tmp_path / "sure" / "b").exists()
    left = set()
    for number in range(60):
        target = tmp_path / f"{number}"
        target.mkdir()
        disk.leave(target, random.Random(number))
        left.add(((target / "a").read_bytes().count(b"y"), (target / "b").exists()))
    assert {count for count, _ in left} == {0, 512, 1024}
    assert {there for _, there in left} == {False, True}


def test_a_file_in_a_folder_that_was_not_synced_is_gone(tmp_path: Path) -> None:
    disk, path = Disk(tmp_path / "root"), str(tmp_path / "root" / "a")
    for call in (Call("open", path, flags="O_CREAT"), Call("write", path, b"x"), Call("sync", path)):
        disk.take(call)
    (tmp_path / "left").mkdir()
    disk.leave(tmp_path / "left")
    assert list((tmp_path / "left").iterdir()) == []


@needs_trace
def test_a_power_cut_at_any_sync_loses_nothing_acknowledged(tmp_path: Path) -> None:
    log = recorded(tmp_path, SECONDS, runs=2)
    syncs, cuts, problems = cut_everywhere(tmp_path, log, lambda n: n % EVERY == 0 or n <= 12, DRAWN, seed=7)
    print(f"{syncs} syncs, {cuts} power cuts, {len(problems)} problems")
    assert problems == []
    assert syncs > 4 * SECONDS
    assert cuts > (DRAWN + 1) * syncs / EVERY - 1


@needs_trace
def test_what_first_goes_into_a_new_folder_stays_there(tmp_path: Path) -> None:
    # No other program syncs these folders: the store may be a server's.
    data = tmp_path / "data"
    data.mkdir()
    program = (
        "from pathlib import Path\nfrom logger.marks import Mailbox, request\nfrom logger.spool import Spool\n"
        f"data = Path({str(data)!r})\n"
        "Spool(data / 'records' / 'spool' / 'north').append([], [])\n"
        "Mailbox(data / 'records' / 'marks' / 'north').post(request('start', 0))\n"
    )
    trace([sys.executable, "-c", program], tmp_path / "log", cwd=HERE.parent)
    disk = Disk(data)
    for call in calls(tmp_path / "log"):
        disk.take(call)
    (tmp_path / "left").mkdir()
    disk.leave(tmp_path / "left")
    records = tmp_path / "left" / "records"
    spool = Spool(records / "spool" / "north")
    assert len(spool) == 1
    assert len(Mailbox(records / "marks" / "north").waiting()) == 1
    spool.close()


class Lying(Disk):
    """A disk that says it has synced the spool's files, and has not."""

    def take(self, call: Call) -> bool:
        return call.path.endswith(".spool") if call.name == "sync" else super().take(call)


@needs_trace
def test_a_sync_left_out_is_noticed(tmp_path: Path) -> None:
    log = recorded(tmp_path, seconds=3, runs=1)
    *_, problems = cut_everywhere(tmp_path, log, lambda n: n % 2 == 1, drawn=0, seed=7, disk_of=Lying)
    assert any("frames were acknowledged" in problem for problem in problems)


def test_an_empty_disk_holds_nothing(tmp_path: Path) -> None:
    assert lost(tmp_path, Said({"r": 3}, {"m"})) == [
        "mark m is lost", "run r: 3 frames were acknowledged, there are 0: []",
    ]  # fmt: skip
