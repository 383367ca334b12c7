"""NIST's Statistical Reference Datasets for nonlinear regression: the files, read, and their models.

The files in `nist_strd` are NIST's own (Statistical Engineering Division, https://www.itl.nist.gov/div898/strd/, works
of the United States government, not subject to copyright), unchanged, as the source distribution of lmfit 1.3.4
carries them. The models are written down from the line 'Model' of each file.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FOLDER = Path(__file__).with_name("nist_strd")
_NUMBER = r"[-+]?\d+\.?\d*(?:E[-+]?\d+)?"


@dataclass(frozen=True)
class Certified:
    """One data set.

    Attributes:
        y: (observations,). x: (predictors, observations). start_1, start_2, values, stds: (parameters,).
        rss: certified residual sum of squares.
    """

    name: str
    y: Array
    x: Array
    start_1: Array
    start_2: Array
    values: Array
    stds: Array
    rss: float

    def residuals(self, b: Array) -> Array:
        """Residuals of sets of parameters, (observations, sets), from (parameters, sets)."""
        with np.errstate(all="ignore"):
            model = MODELS[self.name](b[:, None, :], *self.x[:, :, None])
        y = np.log(self.y) if self.name == "Nelson" else self.y
        return np.asarray(model - y[:, None])


def _rational(degree: int) -> Callable[..., Array]:
    def model(b: Array, x: Array) -> Array:
        top = sum(b[i] * x**i for i in range(degree + 1))
        return np.asarray(top / (1.0 + sum(b[degree + i] * x**i for i in range(1, degree + 1))))

    return model


def _gauss(b: Array, x: Array) -> Array:
    peaks = [b[i] * np.exp(-((x - b[i + 1]) ** 2) / b[i + 2] ** 2) for i in (2, 5)]
    return np.asarray(b[0] * np.exp(-b[1] * x) + peaks[0] + peaks[1])


def _lanczos(b: Array, x: Array) -> Array:
    return np.asarray(sum(b[i] * np.exp(-b[i + 1] * x) for i in (0, 2, 4)))


def _enso(b: Array, x: Array) -> Array:
    turn = 2.0 * np.pi * x
    waves = [
        b[i] * np.cos(turn / period) + b[i + 1] * np.sin(turn / period)
        for i, period in ((1, 12.0), (4, b[3]), (7, b[6]))
    ]
    return np.asarray(b[0] + sum(waves))


MODELS: dict[str, Callable[..., Array]] = {
    "Bennett5": lambda b, x: b[0] * (b[1] + x) ** (-1.0 / b[2]),
    "BoxBOD": lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    "Chwirut1": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "Chwirut2": lambda b, x: np.exp(-b[0] * x) / (b[1] + b[2] * x),
    "DanWood": lambda b, x: b[0] * x ** b[1],
    "ENSO": _enso,
    "Eckerle4": lambda b, x: b[0] / b[1] * np.exp(-0.5 * ((x - b[2]) / b[1]) ** 2),
    "Gauss1": _gauss,
    "Gauss2": _gauss,
    "Gauss3": _gauss,
    "Hahn1": _rational(3),
    "Kirby2": _rational(2),
    "Lanczos1": _lanczos,
    "Lanczos2": _lanczos,
    "Lanczos3": _lanczos,
    "MGH09": lambda b, x: b[0] * (x**2 + x * b[1]) / (x**2 + x * b[2] + b[3]),
    "MGH10": lambda b, x: b[0] * np.exp(b[1] / (x + b[2])),
    "MGH17": lambda b, x: b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4]),
    "Misra1a": lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
    "Misra1b": lambda b, x: b[0] * (1.0 - (1.0 + b[1] * x / 2.0) ** -2),
    "Misra1c": lambda b, x: b[0] * (1.0 - (1.0 + 2.0 * b[1] * x) ** -0.5),
    "Misra1d": lambda b, x: b[0] * b[1] * x / (1.0 + b[1] * x),
    "Nelson": lambda b, x1, x2: b[0] - b[1] * x1 * np.exp(-b[2] * x2),
    "Rat42": lambda b, x: b[0] / (1.0 + np.exp(b[1] - b[2] * x)),
    "Rat43": lambda b, x: b[0] / (1.0 + np.exp(b[1] - b[2] * x)) ** (1.0 / b[3]),
    "Roszman1": lambda b, x: b[0] - b[1] * x - np.arctan(b[2] / (x - b[3])) / np.pi,
    "Thurber": _rational(3),
}


def certified(name: str) -> Certified:
    """Read one data set."""
    lines = (FOLDER / f"{name}.dat").read_text(encoding="ascii").splitlines()
    rows = []
    for line in lines[40:60]:
        if match := re.match(r"\s*b\d+\s*=(.*)", line):
            rows.append([float(word) for word in re.findall(_NUMBER, match[1])])
    rss = next(float(line.split(":")[1]) for line in lines if line.startswith("Residual Sum of Squares"))
    data = np.array([[float(word) for word in line.split()] for line in lines[60:] if line.strip()])
    start_1, start_2, values, stds = np.array(rows).T
    return Certified(name, data[:, 0], data[:, 1:].T, start_1, start_2, values, stds, rss)
