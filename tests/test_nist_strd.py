"""The fitting path against NIST's certified nonlinear regressions (see `strd`): all 27 sets, from both starts."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.nonlinear import Differences, Solution, solve, starts_about
from strd import MODELS, Certified, certified

#: Sets whose certified residual is at rounding level (Lanczos1: 1.4E-25 over 24 readings, of data given to 14 digits):
#: standard deviations of rounding noise have no digits to agree in.
AT_ROUNDING = ("Lanczos1",)


#: Natural logarithm of the factors between start 1 and the starts tried about it, one standard deviation.
SPREAD = 1.0


def fitted(of: Certified, start: np.ndarray, several: bool) -> Solution:
    model = Differences(of.residuals, np.full(len(start), 1e-8))
    starts = starts_about(start, 200, SPREAD) if several else start[:, None]
    return solve(
        model, starts, huber=None, estimate_scale=True, tolerance=1e-15, most=8000, scaled_by_jacobian=True,
        polish=True, follow=2 if several else 1,
    )  # fmt: skip


def in_order(name: str, found: Solution) -> tuple[np.ndarray, np.ndarray]:
    """Values and standard deviations; the three terms of Lanczos' sum may come in any order and are sorted."""
    x, std = found.x, np.sqrt(np.diag(found.covariance))
    if name.startswith("Lanczos"):
        order = np.argsort(x[1::2])
        x, std = (values.reshape(3, 2)[order].ravel() for values in (x, std))
    return x, std


def digits(found: np.ndarray, expected: np.ndarray) -> float:
    """Fewest correct significant digits."""
    error = np.abs(found - expected) / np.abs(expected)
    return float(np.min(-np.log10(np.maximum(error, 1e-16))))


@pytest.mark.parametrize("start", [1, 2])
@pytest.mark.parametrize("name", MODELS)
def test_certified_values(name: str, start: int) -> None:
    of = certified(name)
    found = fitted(of, of.start_1 if start == 1 else of.start_2, several=start == 1)
    x, std = in_order(name, found)
    assert digits(x, of.values) >= 6.0
    if name not in AT_ROUNDING:
        assert digits(std, of.stds) >= 4.0


def test_the_files_are_read_whole() -> None:
    """Their own residual at their own certified values: to the digits that ten printed ones leave."""
    for name in MODELS:
        of = certified(name)
        if name not in AT_ROUNDING:
            assert np.sum(of.residuals(of.values[:, None]) ** 2) == pytest.approx(of.rss, rel=1e-6)
