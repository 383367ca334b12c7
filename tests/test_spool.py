"""The spool: order, cuts at every byte, altered bytes, a disk that is full, segments."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.actions import (
    Action,
    BeginHeat,
    BeginRun,
    EndRun,
    FinishHeat,
    MoveStart,
    action_from_table,
    action_table,
)  # fmt: skip
from logger.records import Block, HeatForm, HeatRecord, Mark, Run
from logger.spool import Entry, Spool
from recorder_rig import FullDisk
from thermal.fields import InputError

RUN = Run("r1", "north-bench", 1_700_000_000_000, "+01:00 CET", "pullcue test")
HEAT = HeatRecord(
    0, "h1", "north-bench", "r1", 12.5, 5, form=HeatForm(polymer="pp", opening_mm=(300.0,), checks={"film_off": True})
)
ACTIONS: tuple[Action, ...] = (
    BeginRun(RUN), BeginHeat(HEAT), MoveStart("h1", 3.25, "ab", "why", 2), FinishHeat("h1", 900.0, "finished"),
    EndRun("r1", 7),
)  # fmt: skip


def block(second: int, rows: int = 3) -> Block:
    rng = np.random.default_rng(second)
    values = rng.normal(size=(rows, 2))
    values[:1, 0] = np.nan
    offsets = np.arange(rows, dtype=np.int32) * 100
    states = rng.integers(0, 9, (rows, 2)).astype(np.uint8)
    return Block("north-bench", "r1", second, 1000 * second, ("air_upper_c", "raw:b/x_uv"), offsets, values, states)


def mark(number: int) -> Mark:
    return Mark(f"m{number}", "north-bench", "r1", 1.5, 7, "start", "ab", "nüchtern", "technician", None)


def entry(number: int) -> Entry:
    return Entry((block(number), block(number + 1000, 0)), (mark(number),), ACTIONS if number == 1 else ())


def filled(folder: Path, count: int, segment_bytes: int = 4_000_000) -> Spool:
    spool = Spool(folder, segment_bytes)
    for number in range(count):
        one = entry(number)
        spool.append(one.blocks, one.marks, one.actions)
    return spool


def waiting(spool: Spool) -> list[Entry]:
    return [one for _, one in spool.pending()]


@pytest.mark.parametrize("action", ACTIONS)
def test_action_there_and_back(action: Action) -> None:
    assert action_from_table(action_table(action)) == action


def test_what_was_appended_is_there_after_a_restart(tmp_path: Path) -> None:
    filled(tmp_path, 5).close()
    again = Spool(tmp_path)
    assert waiting(again) == [entry(number) for number in range(5)]
    assert (len(again), again.damaged) == (5, [])
    again.close()


@pytest.mark.parametrize("segment_bytes", [1, 1500, 4_000_000])
def test_dropped_in_order_over_segments(tmp_path: Path, segment_bytes: int) -> None:
    spool = filled(tmp_path, 6, segment_bytes)
    tokens = [token for token, _ in spool.pending()]
    spool.drop_through(tokens[2])
    assert waiting(spool) == [entry(number) for number in (3, 4, 5)]
    assert len(spool) == 3
    spool.append([block(99)], [])
    assert waiting(spool)[-1].blocks == (block(99),)
    spool.drop_through([token for token, _ in spool.pending()][-1])
    assert (len(spool), waiting(spool)) == (0, [])
    assert sum(path.stat().st_size for path in tmp_path.glob("*.spool")) == 0  # what is stored takes no room
    spool.append([block(100)], [])
    assert len(waiting(spool)) == 1
    spool.drop_through([token for token, _ in spool.pending()][-1])
    spool.close()
    assert list(tmp_path.glob("*.spool")) == []


def test_one_file_serves_as_long_as_the_store_keeps_up(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    for number in range(20):
        spool.drop_through(spool.append([block(number)], []))
    assert [path.name for path in tmp_path.glob("*.spool")] == ["0000000001.spool"]
    last = spool.append([block(20)], [])
    spool._lock.close()  # as kill -9
    again = Spool(tmp_path)
    assert [one.blocks for one in waiting(again)] == [(block(20),)]
    assert last == 21
    again.close()


def test_more_than_is_kept_in_memory_is_read_back(tmp_path: Path) -> None:
    spool = filled(tmp_path, 200, 30_000)
    assert waiting(spool) == [entry(number) for number in range(200)]
    spool.drop_through(150)
    assert waiting(spool) == [entry(number) for number in range(150, 200)]
    spool.close()


def test_what_was_whole_and_is_no_longer_is_said(tmp_path: Path) -> None:
    spool = filled(tmp_path, 70)
    path = tmp_path / "0000000001.spool"
    data = bytearray(path.read_bytes())
    data[-5] ^= 1
    path.write_bytes(data)
    assert waiting(spool) == [*(entry(number) for number in range(69)), Entry()]
    assert "cannot be read any more" in spool.damaged[0]
    spool.drop_through(70)
    assert [file.name for file in tmp_path.iterdir() if file.name != "lock"] == ["0000000001.damaged"]
    spool.close()


def test_file_cut_at_every_byte_gives_all_whole_frames(tmp_path: Path) -> None:
    ends = []
    spool = Spool(tmp_path / "whole")
    for number in range(2):
        one = entry(number)
        spool.append(one.blocks, one.marks, one.actions)
        ends.append((tmp_path / "whole" / "0000000001.spool").stat().st_size)
    spool.close()
    data = (tmp_path / "whole" / "0000000001.spool").read_bytes()
    for length in range(len(data) + 1):
        folder = tmp_path / f"cut-{length}"
        folder.mkdir()
        (folder / "0000000001.spool").write_bytes(data[:length])
        cut = Spool(folder)
        whole = sum(end <= length for end in ends)
        assert waiting(cut) == [entry(number) for number in range(whole)]
        assert bool(cut.damaged) == (length not in (0, *ends))
        cut.append([block(50)], [])
        assert waiting(cut)[whole:] == [Entry((block(50),))]
        cut.close()


@settings(max_examples=60, deadline=None)
@given(place=st.integers(0, 10_000), flip=st.integers(1, 255))
def test_altered_byte_costs_one_frame_at_most_and_is_said(
    tmp_path_factory: pytest.TempPathFactory, place: int, flip: int
) -> None:
    folder = tmp_path_factory.mktemp("altered")
    filled(folder, 5).close()
    path = folder / "0000000001.spool"
    data = bytearray(path.read_bytes())
    data[place % len(data)] ^= flip
    path.write_bytes(data)
    spool = Spool(folder)
    found = waiting(spool)
    assert len(found) == 4
    assert found == [one for one in (entry(number) for number in range(5)) if one in found]
    assert "altered" in spool.damaged[0]
    spool.drop_through([token for token, _ in spool.pending()][-1])
    assert [file.name for file in folder.iterdir() if file.name != "lock"] == ["0000000001.damaged"]
    spool.append([block(7)], [])
    assert len(waiting(spool)) == 1
    spool.close()


def test_full_disk_leaves_no_half_frame(tmp_path: Path) -> None:
    spool = FullDisk(tmp_path)
    spool.append([block(1)], [])
    spool.full = True
    for _ in range(3):
        with pytest.raises(OSError, match="No space left"):
            spool.append([block(2)], [])
    spool.close()
    spool = FullDisk(tmp_path)
    assert (len(spool), spool.damaged) == (1, [])
    spool.append([block(3)], [])
    assert [one.blocks[0].second for one in waiting(spool)] == [1, 3]
    spool.close()
    again = Spool(tmp_path)
    assert [one.blocks[0].second for one in waiting(again)] == [1, 3]
    assert again.damaged == []
    again.close()


def test_one_process_at_a_time(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    with pytest.raises(InputError, match="another recorder of this bench is running: stop it first"):
        Spool(tmp_path)
    spool.close()
    Spool(tmp_path).close()


def test_number_of_a_heat_given_later_does_not_matter() -> None:
    assert action_from_table(action_table(BeginHeat(replace(HEAT, number=7)))) == BeginHeat(replace(HEAT, number=7))
