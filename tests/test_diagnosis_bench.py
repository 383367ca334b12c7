"""The proof of the diagnosis counts what it says it counts: labels, sizes, and the classifier it is held against."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest

import diagnosis as bench
from calibration.diagnosis import Finding
from calibration.observed import Observed
from live_cases import CALIBRATED, cell
from planted_heats import LABELS, SOUND, Plant, Planted


def heat(label: str, size: float = 1.0) -> Planted:
    case, of = cell(6.0, CALIBRATED)
    return Planted(Plant(label, size), case, of, Observed(np.zeros(1), {}), 100.0, 165.0, 30.0)


def test_findings_are_named_as_plants_are() -> None:
    found = [
        Finding("gauge", "", 0.9, size=-0.1),
        Finding("face", "upper", 0.9, size=-0.4),
        Finding("oven off", "", 0.9, size=12.0),
        Finding("loose", "face_upper_c", 0.9),
        Finding("polymer", "hdpe", 0.9),
        Finding(SOUND, "", 0.9),
    ]
    labels = [bench.label_of(one) for one in found]
    assert labels == ["gauge thin", "face upper cold", "oven off high", "loose", "polymer hdpe", SOUND]
    assert set(labels) <= set(LABELS)


def test_what_cannot_be_told_apart_counts_as_one_and_nothing_else_does() -> None:
    assert bench.same("face", "oven drifted weak", "face upper cold")
    assert not bench.same("face", "oven drifted weak", "face lower cold")
    assert not bench.same("faces", "oven drifted weak", "face upper cold")
    assert all(len(groups) <= 3 for groups in bench.ALIKE.values())


def test_every_cause_is_planted_in_every_size_and_none_beyond_what_exists() -> None:
    least = dict.fromkeys(LABELS, 0.3)
    wanted = Counter((one.label, one.size) for one, _ in bench.plants("face", 3, 5, [1.0, 2.0], least))
    assert wanted[SOUND, 0.0] == 5
    assert wanted["gauge thick", 0.3] == wanted["gauge thick", bench.MOST["gauge"]] == 3
    assert {label for label, _ in wanted} == set(bench.PLANTED["face"])
    assert {one.label for one, _ in bench.plants("air", 1, 1, [1.0], least)} == set(bench.OF_AIR)
    assert {label for kind in bench.SETS for label in bench.PLANTED[kind]} == set(LABELS)
    # What cannot be told in any size that exists is not planted.
    blind = {**least, "face lower cold": bench.MOST["h_lower"]}
    assert "face lower cold" not in {one.label for one, _ in bench.plants("face", 1, 1, [1.0], blind)}


def test_the_reference_is_the_rule_of_bayes_on_normal_features() -> None:
    # Two normal classes of equal covariance: the boundary lies where the densities times the priors are equal, at
    # (m1 + m2)/2 + s2 ln(w1/w2)/(m2 - m1) (C.M. Bishop, Pattern Recognition and Machine Learning, 2006, 4.2.1).
    random = np.random.default_rng(2)
    rows = np.concatenate([random.normal(0.0, 1.0, 4000), random.normal(3.0, 1.0, 4000)])[:, None]
    bank = [heat(SOUND)] * 4000 + [heat("loose")] * 4000
    reference = bench.Reference(bank, rows, {SOUND: 0.9, "loose": 0.1})
    boundary = 1.5 + np.log(9.0) / 3.0
    assert reference.ranked(np.array([boundary - 0.15]))[0] == SOUND
    assert reference.ranked(np.array([boundary + 0.15]))[0] == "loose"


def row(label: str, ours: tuple[str, ...], theirs: tuple[str, ...] = (), size: float = 0.3) -> bench.Row:
    return bench.Row("face", 11, label, 1.0, size, ours, 0.9, theirs)


def test_the_table_prints_rates_and_the_limit_of_false_alarms(capsys: pytest.CaptureFixture[str]) -> None:
    causes = [row("loose", ("loose", SOUND), (SOUND, "loose")), row("loose", (SOUND, "loose"), (SOUND, "frozen"), 0.6)]
    sound = [row(SOUND, (SOUND,))] * 99 + [row(SOUND, ("loose",))]
    bench.table([*causes, *sound, row("film upper", (SOUND,))])
    told = capsys.readouterr().out
    assert "all sizes, diagnosis: first 50.0 %, first two 100.0 % of 2" in told  # the film is not counted
    assert "all sizes, reference: first 0.0 %, first two 50.0 % of 2" in told
    assert "0.3: 1 of 1, 0.6: 0 of 1; nine of ten from 0.3" in told
    # Clopper and Pearson: one of a hundred leaves 4.66 % (one-sided, 95 %; beta quantile, by scipy and by tables).
    assert "diagnosis: false alarms 1 of 100, 95 % upper limit 4.7 %" in told


def test_two_causes_count_when_both_stand_before_all_others(capsys: pytest.CaptureFixture[str]) -> None:
    both = "loose" + bench.AND + "door opened"
    bench.table([row(both, ("door opened", "loose")), row(both, ("loose", SOUND)), row(both, (SOUND, "loose"))])
    assert "one of them first 2, both before all others 1 of 3" in capsys.readouterr().out
    two = bench.paired("face", 2, 4.0, dict.fromkeys(LABELS, 0.1))
    assert len(two) == 2 * len(bench.PAIRS["face"])
    assert all(len(plant.parts) == 2 and plant.size == pytest.approx(0.4) for plant, _ in two)


def test_kept_heats_are_read_as_they_were_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "heats.jsonl"
    path.write_text(json.dumps(asdict(row("loose", ("loose", SOUND)))) + "\n", encoding="utf-8")
    bench.main(["--blocks", "0", "--sets", "face", "--workers", "1", "--into", str(path)])
    assert "== face\n  1 heats, 0 of them sound" in capsys.readouterr().out
    assert bench._read(path) == [row("loose", ("loose", SOUND))]
