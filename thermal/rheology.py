"""How the viscosity of a melt falls with temperature: the two laws, for numbers and batches alike."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermal.constants import GAS_J_MOLK, ZERO_C_IN_K

Array = NDArray[np.float64]


def ln_arrhenius(t_c: ArrayLike, reference_c: ArrayLike, activation_j_mol: ArrayLike) -> Array:
    """ln(eta/eta_ref) = E/R (1/T - 1/T_ref), T in kelvin; arguments broadcast (°C, °C, J/mol)."""
    inverse_k = 1.0 / (np.asarray(t_c) + ZERO_C_IN_K) - 1.0 / (np.asarray(reference_c) + ZERO_C_IN_K)
    return np.asarray(np.asarray(activation_j_mol) / GAS_J_MOLK * inverse_k)


def ln_wlf(t_c: ArrayLike, reference_c: ArrayLike, c1: ArrayLike, c2_k: ArrayLike) -> Array:
    """ln(eta/eta_ref) = -ln 10 c1 (T - T_ref)/(c2 + T - T_ref); arguments broadcast (°C, °C, 1, K).

    M.L. Williams, R.F. Landel, J.D. Ferry, J. Am. Chem. Soc. 77 (1955) 3701. Has a pole at T_ref - c2: to be called
    above it.
    """
    above = np.asarray(t_c) - np.asarray(reference_c)
    return np.asarray(-math.log(10.0) * np.asarray(c1) * above / (np.asarray(c2_k) + above))
