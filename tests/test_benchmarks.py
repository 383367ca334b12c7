"""The benchmarks' translation of their problems into the product's: without it their ratios compare nothing."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parent.parent / "benchmarks"


@pytest.fixture
def modules(monkeypatch: pytest.MonkeyPatch) -> tuple[Any, Any]:
    """The competitors and the translation: scripts beside each other, in no package."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    return importlib.import_module("competitors"), importlib.import_module("_batch")


def test_a_batch_answers_as_the_independent_solver_does(modules: tuple[Any, Any]) -> None:
    # scipy's solve_ivp on a formulation of its own (second-order volumes); nothing of the product in it. The
    # benchmarks' own bound: 0.5 s.
    competitors, batch = modules
    problems = competitors.random_problems(5, 8)
    wanted = [competitors.ivp_ready_time(p, cells=30, rtol=1e-5) for p in problems]
    np.testing.assert_allclose(batch.ready_times(problems), wanted, atol=0.5, rtol=0.0)
    assert batch.ready_times(problems[:1])[0] == pytest.approx(wanted[0], abs=0.5)


def test_tables_and_melting_corners_are_merged_as_they_are(modules: tuple[Any, Any]) -> None:
    competitors, batch = modules
    problems = competitors.random_problems(3, 9)
    stuff = batch.batch_material(problems)
    t = np.linspace(0.0, 230.0, 500)
    got = stuff.capacity(stuff.enthalpy(np.broadcast_to(t[:, None], (500, 3))))
    for i, p in enumerate(problems):
        corners = (p.onset_c, p.peak_c, p.end_c)
        melting = np.interp(t, corners, (0.0, 2.0 * p.enthalpy_j_kg / (p.end_c - p.onset_c), 0.0))
        wanted = np.interp(t, p.heat_capacity_c, p.heat_capacity_j_kgk) + melting
        np.testing.assert_allclose(got[:, i], wanted, rtol=1e-5)


def test_eight_benches_of_sixteen_channels_lose_and_double_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Half a minute here; the hour and the share of a core are the benchmark's own: benchmarks/recording.py.
    monkeypatch.syspath_prepend(BENCHMARKS)
    recording = importlib.import_module("recording")
    _, samples = recording.record(tmp_path, 0.5)
    assert samples == 8 * 16 * 10 * 30
