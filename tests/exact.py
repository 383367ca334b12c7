"""Closed-form and independently computed solutions that the tests compare the product with.

Nothing here imports the product. SI units, temperatures in degC except inside radiation terms (K).
Notation: X = x/L, Fo = alpha t/L^2, Bi = h L/k, theta = (T - T_inf)/(T_i - T_inf).
Functions broadcast over `x` (any shape); the other arguments are scalars unless said otherwise.

Sources by short name:
C&J        H.S. Carslaw, J.C. Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959
Incropera  F.P. Incropera, D.P. DeWitt, T.L. Bergman, A.S. Lavine, Fundamentals of Heat and Mass Transfer
(section numbers of C&J and equation numbers of Incropera are recalled).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import quad
from scipy.linalg import solve_banded
from scipy.optimize import brentq
from scipy.special import erf, erfc, erfcx

Array = NDArray[np.float64]

SIGMA_W_M2K4 = 5.670374419e-8  # Stefan-Boltzmann, CODATA 2018
ZERO_C_K = 273.15


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-15, rtol=1e-14, maxiter=500))


def _array(x: ArrayLike) -> Array:
    return np.asarray(x, dtype=np.float64)


# --- plane wall, same coefficient on both faces ---


def plane_wall_eigenvalues(biot: float, terms: int) -> Array:
    """Roots of z tan z = Bi, one in each ((n-1) pi, (n-1/2) pi); Bi = inf gives (n - 1/2) pi.

    C&J sec. 3.11; Incropera Table 5.1 lists the first.
    """
    n = np.arange(terms)
    if np.isinf(biot):
        return _array((n + 0.5) * np.pi)

    def characteristic(z: float) -> float:
        return float(z * np.sin(z) - biot * np.cos(z))

    return np.array([_root(characteristic, i * np.pi, (i + 0.5) * np.pi) for i in n])


def plane_wall_coefficients(z: Array) -> Array:
    """C_n = 4 sin z_n/(2 z_n + sin 2 z_n): a uniform start expanded in cos(z_n X). C&J sec. 3.11."""
    return _array(4.0 * np.sin(z) / (2.0 * z + np.sin(2.0 * z)))


def plane_wall_one_term(biot: float) -> tuple[float, float]:
    """(z1, C1) of Incropera Table 5.1."""
    z = plane_wall_eigenvalues(biot, 1)
    return float(z[0]), float(plane_wall_coefficients(z)[0])


def plane_wall(x_over_l: ArrayLike, fo: float, biot: float, terms: int = 120) -> Array:
    """theta of a slab of half thickness L, convection Bi on both faces; X = 0 the mid-plane, 1 the face.

    theta = sum C_n exp(-z_n^2 Fo) cos(z_n X). C&J sec. 3.11. With L the full thickness it is the slab
    whose face X = 0 is insulated. Needs Fo > 0; 120 terms reach 1e-12 from Fo = 2e-4 up.
    """
    z = plane_wall_eigenvalues(biot, terms)
    weights = plane_wall_coefficients(z) * np.exp(-(z**2) * fo)
    return _array(np.cos(_array(x_over_l)[..., None] * z) @ weights)


def plane_wall_mean(fo: float, biot: float, terms: int = 120) -> float:
    """Mean of theta over the slab: cos(z_n X) replaced by sin(z_n)/z_n. C&J sec. 3.11."""
    z = plane_wall_eigenvalues(biot, terms)
    return float(np.sum(plane_wall_coefficients(z) * np.exp(-(z**2) * fo) * np.sin(z) / z))


# --- plane wall, a coefficient and surroundings of its own on each face ---


def unequal_faces_eigenvalues(biot_0: float, biot_1: float, terms: int) -> Array:
    """Roots of tan z = z (Bi0 + Bi1)/(z^2 - Bi0 Bi1), one in each ((n-1) pi, n pi). C&J sec. 3.11."""

    def characteristic(z: float) -> float:
        return float((z * z - biot_0 * biot_1) * np.sin(z) - z * (biot_0 + biot_1) * np.cos(z))

    return np.array([_root(characteristic, max(i * np.pi, 1e-9), (i + 1) * np.pi) for i in range(terms)])


def _unequal_faces_series(
    x: Array, fo: float, biot_0: float, biot_1: float, constant: float, slope: float, terms: int
) -> Array:
    """Decay of the start constant + slope X in phi_n = cos zX + (Bi0/z) sin zX, surroundings at zero."""
    z = unequal_faces_eigenvalues(biot_0, biot_1, terms)
    b = biot_0 / z
    norm = 0.5 * ((1.0 + b**2) * (1.0 + biot_1 / (z**2 + biot_1**2)) + biot_0 / z**2)
    of_one = np.sin(z) / z + b * (1.0 - np.cos(z)) / z
    of_x = (
        np.sin(z) / z + (np.cos(z) - 1.0) / z**2 + b * (np.sin(z) / z**2 - np.cos(z) / z)
    )  # integrals of phi and X phi over 0..1
    weights = (constant * of_one + slope * of_x) / norm * np.exp(-(z**2) * fo)
    zx = x[..., None] * z
    return _array((np.cos(zx) + b * np.sin(zx)) @ weights)


def unequal_faces(x_over_d: ArrayLike, fo: float, biot_0: float, biot_1: float, terms: int = 120) -> Array:
    """theta of a slab of thickness d, Bi0 = h0 d/k at X = 0, Bi1 at X = 1, the same surroundings.

    Fo = alpha t/d^2. Derived from C&J sec. 3.11 by expansion in phi_n = cos zX + (Bi0/z) sin zX.
    """
    return _unequal_faces_series(_array(x_over_d), fo, biot_0, biot_1, 1.0, 0.0, terms)


def two_surroundings(
    x_m: ArrayLike,
    time_s: float,
    *,
    thickness_m: float,
    k_w_mk: float,
    rho_c_j_m3k: float,
    h_w_m2k: tuple[float, float],
    surroundings_c: tuple[float, float],
    start_c: float,
    terms: int = 120,
) -> Array:
    """Temperature (degC) of a slab with h and surroundings of its own at x = 0 and x = thickness.

    The linear steady profile plus the decay of the remainder in the eigenfunctions of `unequal_faces`.
    """
    biot_0, biot_1 = (h * thickness_m / k_w_mk for h in h_w_m2k)
    t_0, t_1 = surroundings_c
    # steady: slope = Bi0 (T(0) - T_0) = Bi1 (T_1 - T(1))
    slope = (t_1 - t_0) * biot_0 * biot_1 / (biot_0 + biot_1 + biot_0 * biot_1)
    at_0 = t_0 + slope / biot_0 if biot_0 > 0.0 else t_1
    x = _array(x_m) / thickness_m
    fo = k_w_mk / rho_c_j_m3k * time_s / thickness_m**2
    decay = _unequal_faces_series(x, fo, biot_0, biot_1, start_c - at_0, -slope, terms)
    return at_0 + slope * x + decay


# --- constant flux ---


def constant_flux(x_over_l: ArrayLike, fo: float, terms: int = 200) -> Array:
    """(T - T_i) k/(q L), flux q into both faces of a slab of half thickness L (X = 0 mid-plane).

    Fo + (3 X^2 - 1)/6 - (2/pi^2) sum ((-1)^n/n^2) exp(-n^2 pi^2 Fo) cos(n pi X). C&J sec. 3.8.
    With L the full thickness: flux into X = 1, the face X = 0 insulated.
    """
    x = _array(x_over_l)
    n = np.arange(1, terms + 1)
    weights = (-1.0) ** n / n**2 * np.exp(-((n * np.pi) ** 2) * fo)
    series = np.cos(x[..., None] * (n * np.pi)) @ weights
    return _array(fo + (3.0 * x**2 - 1.0) / 6.0 - 2.0 / np.pi**2 * series)


# --- semi-infinite solid ---


def semi_infinite_temperature(x_m: ArrayLike, time_s: float, alpha_m2_s: float) -> Array:
    """(T - T_i)/(T_s - T_i) = erfc(x/(2 sqrt(alpha t))), face held at T_s. C&J ch. 2; Incropera eq. 5.57."""
    return _array(erfc(_array(x_m) / (2.0 * np.sqrt(alpha_m2_s * time_s))))


def semi_infinite_face_flux_w_m2(time_s: float, effusivity: float, step_k: float) -> float:
    """Flux into the face held at T_i + step: e step/sqrt(pi t), e = sqrt(k rho c). Incropera eq. 5.58."""
    return float(effusivity * step_k / np.sqrt(np.pi * time_s))


def semi_infinite_flux_k(x_m: ArrayLike, time_s: float, *, k_w_mk: float, alpha_m2_s: float, flux_w_m2: float) -> Array:
    """T - T_i (K) for a constant flux q into the face. C&J sec. 2.9; Incropera eq. 5.59.

    (2 q/k) sqrt(alpha t/pi) exp(-eta^2) - (q x/k) erfc(eta), eta = x/(2 sqrt(alpha t)).
    """
    x = _array(x_m)
    root = np.sqrt(alpha_m2_s * time_s)
    eta = x / (2.0 * root)
    return _array(flux_w_m2 / k_w_mk * (2.0 * root / np.sqrt(np.pi) * np.exp(-(eta**2)) - x * erfc(eta)))


def semi_infinite_convection(
    x_m: ArrayLike, time_s: float, *, k_w_mk: float, alpha_m2_s: float, h_w_m2k: float
) -> Array:
    """(T - T_i)/(T_inf - T_i) = erfc(eta) - exp(hx/k + b^2) erfc(eta + b), b = h sqrt(alpha t)/k.

    C&J sec. 2.7; Incropera eq. 5.60. Written with erfcx, so that it does not overflow.
    """
    root = np.sqrt(alpha_m2_s * time_s)
    eta = _array(x_m) / (2.0 * root)
    return _array(erfc(eta) - np.exp(-(eta**2)) * erfcx(eta + h_w_m2k * root / k_w_mk))


def contact_temperature_c(effusivity_1: float, t_1_c: float, effusivity_2: float, t_2_c: float) -> float:
    """Temperature at which two half-spaces meet: (e1 T1 + e2 T2)/(e1 + e2). C&J sec. 2.14."""
    return (effusivity_1 * t_1_c + effusivity_2 * t_2_c) / (effusivity_1 + effusivity_2)


# --- melting front ---


@dataclass(frozen=True)
class Neumann:
    """Neumann's melting of a half-space, equal properties in both phases. C&J sec. 11.2.

    Face at `face_c` > `melting_c` >= `start_c` from t = 0. X = 2 lam sqrt(alpha t).
    """

    start_c: float
    melting_c: float
    face_c: float
    alpha_m2_s: float
    heat_capacity_j_kgk: float
    latent_j_kg: float

    @property
    def lam(self) -> float:
        """Root of c (T0-Tm) e^(-l^2)/erf l - c (Tm-Ti) e^(-l^2)/erfc l = l L sqrt(pi)."""
        superheat = self.heat_capacity_j_kgk * (self.face_c - self.melting_c) / self.latent_j_kg
        subcooling = self.heat_capacity_j_kgk * (self.melting_c - self.start_c) / self.latent_j_kg
        return neumann_lambda(superheat, subcooling)

    def front_m(self, time_s: float) -> float:
        """Depth of the melting front."""
        return float(2.0 * self.lam * np.sqrt(self.alpha_m2_s * time_s))

    def temperature_c(self, x_m: ArrayLike, time_s: float) -> Array:
        """T0 - (T0-Tm) erf eta/erf lam in the melt, Ti + (Tm-Ti) erfc eta/erfc lam in the solid."""
        lam = self.lam
        eta = _array(x_m) / (2.0 * np.sqrt(self.alpha_m2_s * time_s))
        melt = self.face_c - (self.face_c - self.melting_c) * erf(eta) / erf(lam)
        solid = self.start_c + (self.melting_c - self.start_c) * erfc(eta) / erfc(lam)
        return _array(np.where(eta < lam, melt, solid))


def neumann_lambda(superheat: float, subcooling: float = 0.0) -> float:
    """lam for the Stefan numbers c (T0-Tm)/L and c (Tm-Ti)/L; the second zero is the one-phase problem.

    One phase: sqrt(pi) lam exp(lam^2) erf(lam) = St. C&J sec. 11.2.
    """

    def balance(lam: float) -> float:  # exp(-l^2)/erfc(l) = 1/erfcx(l)
        return float(superheat * np.exp(-(lam**2)) / erf(lam) - subcooling / erfcx(lam) - lam * np.sqrt(np.pi))

    return _root(balance, 1e-9, 6.0)


def triangle_fraction(t_c: ArrayLike, onset_c: float, peak_c: float, end_c: float) -> Array:
    """Molten fraction F(T): integral of a triangle of unit area, zero at onset and end, highest at peak.

    (T-on)^2/((end-on)(peak-on)) up to the peak, 1 - (end-T)^2/((end-on)(end-peak)) above. Derived.
    """
    t = np.clip(_array(t_c), onset_c, end_c)
    width = end_c - onset_c
    rising = (t - onset_c) ** 2 / (width * (peak_c - onset_c))
    falling = 1.0 - (end_c - t) ** 2 / (width * (end_c - peak_c))
    return _array(np.where(t <= peak_c, rising, falling))


# --- absorption in depth ---


@dataclass(frozen=True)
class Absorbing:
    """Slab that absorbs q0 a exp(-a x) per volume, lit at x = 0. Solutions derived from the heat equation."""

    thickness_m: float
    absorption_1_m: float
    flux_w_m2: float
    k_w_mk: float
    rho_c_j_m3k: float

    @property
    def absorbed_fraction(self) -> float:
        """1 - exp(-a d) (Beer-Lambert)."""
        return float(-np.expm1(-self.absorption_1_m * self.thickness_m))

    def initial_rate_k_s(self, x_m: ArrayLike) -> Array:
        """dT/dt before conduction acts: q0 a exp(-a x)/(rho c)."""
        a = self.absorption_1_m
        return _array(self.flux_w_m2 * a * np.exp(-a * _array(x_m)) / self.rho_c_j_m3k)

    def insulated_rise_k(self, x_m: ArrayLike, time_s: float, terms: int = 400) -> Array:
        """T - T_i, both faces insulated: the mean rise plus a cosine series.

        q0 (1 - e^(-ad)) t/(rho c d) + sum (a_m/(alpha b_m^2)) (1 - exp(-alpha b_m^2 t)) cos(b_m x),
        b_m = m pi/d, a_m = (2 q0 a/(rho c d)) a (1 - (-1)^m e^(-ad))/(a^2 + b_m^2).
        """
        a, d = self.absorption_1_m, self.thickness_m
        m = np.arange(1, terms + 1)
        b = m * np.pi / d
        alpha = self.k_w_mk / self.rho_c_j_m3k
        source = 2.0 * self.flux_w_m2 * a / (self.rho_c_j_m3k * d)
        source = source * a * (1.0 - (-1.0) ** m * np.exp(-a * d)) / (a**2 + b**2)
        weights = source / (alpha * b**2) * -np.expm1(-alpha * b**2 * time_s)
        mean = self.flux_w_m2 * self.absorbed_fraction * time_s / (self.rho_c_j_m3k * d)
        return _array(mean + np.cos(_array(x_m)[..., None] * b) @ weights)

    def steady_one_side_c(self, x_m: ArrayLike, h_w_m2k: float, air_c: float) -> Array:
        """Steady, convection h to air at both faces: -(q0/(k a)) e^(-ax) + C1 x + C2, two face balances."""
        a, d, k, q, h = self.absorption_1_m, self.thickness_m, self.k_w_mk, self.flux_w_m2, h_w_m2k
        end = np.exp(-a * d)
        # k T'(0) = h (T(0) - air);  -k T'(d) = h (T(d) - air)
        matrix = np.array([[k, -h], [k + h * d, h]])
        right = np.array([-q - h * q / (k * a) - h * air_c, -q * end + h * q / (k * a) * end + h * air_c])
        c_1, c_2 = np.linalg.solve(matrix, right)
        x = _array(x_m)
        return _array(-q / (k * a) * np.exp(-a * x) + c_1 * x + c_2)

    def steady_two_sides_c(self, x_m: ArrayLike, h_w_m2k: float, air_c: float) -> Array:
        """Steady, lit by q0 from both sides: T_face = air + q0 (1 - e^(-ad))/h, symmetric inside."""
        a, d = self.absorption_1_m, self.thickness_m
        x = _array(x_m)
        face = air_c + self.flux_w_m2 * self.absorbed_fraction / h_w_m2k
        inside = 1.0 + np.exp(-a * d) - np.exp(-a * x) - np.exp(-a * (d - x))
        return _array(face + self.flux_w_m2 / (self.k_w_mk * a) * inside)


# --- lumped sheet ---


def radiating_lump_time_s(
    capacity_j_m2k: float, faces: int, emissivity: float, surroundings_c: float, start_c: float, end_c: float
) -> float:
    """Time for a sheet without gradient, radiation only, to go from start to end (heating or cooling).

    rho c d dT/dt = n eps sigma (Ts^4 - T^4), so t = rho c d/(n eps sigma) (F(T1) - F(T0)) with
    F = (ln|(Ts+T)/(Ts-T)| + 2 atan(T/Ts))/(4 Ts^3). Incropera eq. 5.18 (recalled).
    """
    t_s, t_0, t_1 = (t + ZERO_C_K for t in (surroundings_c, start_c, end_c))

    def primitive(t: float) -> float:
        return float((np.log(abs((t_s + t) / (t_s - t))) + 2.0 * np.arctan(t / t_s)) / (4.0 * t_s**3))

    return capacity_j_m2k / (faces * emissivity * SIGMA_W_M2K4) * (primitive(t_1) - primitive(t_0))


def lump_time_s(
    capacity_j_m2k: float,
    *,
    h_w_m2k: float,
    air_c: float,
    emissivity: float,
    wall_c: float,
    start_c: float,
    end_c: float,
) -> float:
    """Time of a sheet without gradient under convection and radiation: quadrature of C dT/q(T).

    `h` and `emissivity` are summed over the faces. Incropera eq. 5.15 (recalled); scipy.integrate.quad.
    """
    wall_k = wall_c + ZERO_C_K

    def seconds_per_k(t: float) -> float:
        radiated = emissivity * SIGMA_W_M2K4 * (wall_k**4 - (t + ZERO_C_K) ** 4)
        return capacity_j_m2k / (h_w_m2k * (air_c - t) + radiated)

    return float(quad(seconds_per_k, start_c, end_c, epsabs=1e-10, epsrel=1e-12)[0])


def lump_steady_c(h_w_m2k: float, air_c: float, emissivity: float, wall_c: float) -> float:
    """Temperature where convection from air balances radiation to a wall; lies between the two."""
    wall_k = wall_c + ZERO_C_K

    def balance(t: float) -> float:
        return h_w_m2k * (air_c - t) + emissivity * SIGMA_W_M2K4 * (wall_k**4 - (t + ZERO_C_K) ** 4)

    return _root(balance, min(air_c, wall_c), max(air_c, wall_c))


def parallel_planes_emissivity(emissivity_1: float, emissivity_2: float) -> float:
    """1/(1/eps1 + 1/eps2 - 1), two large grey planes. Incropera eq. 13.19 (recalled)."""
    return 1.0 / (1.0 / emissivity_1 + 1.0 / emissivity_2 - 1.0)


# --- two layers ---


@dataclass(frozen=True)
class Layer:
    """One layer of a composite slab, uniform at `start_c` when the clock starts."""

    thickness_m: float
    k_w_mk: float
    rho_c_j_m3k: float
    start_c: float


def talbot(transform: Callable[[complex], complex], time_s: float, terms: int = 32) -> float:
    """Inverse Laplace transform on the fixed Talbot contour.

    J. Abate, P.P. Valko, Int. J. Numer. Meth. Eng. 60 (2004) 979-993 (recalled). In double precision 24
    to 40 terms give about 1e-7 relative.
    """
    r = 2.0 * terms / (5.0 * time_s)
    total = 0.5 * np.exp(r * time_s) * transform(complex(r))
    for i in range(1, terms):
        angle = i * np.pi / terms
        cot = 1.0 / np.tan(angle)
        p = r * angle * (cot + 1j)
        slope = 1.0 + 1j * (angle * (1.0 + cot**2) - cot)
        total += np.exp(p * time_s) * transform(complex(p)) * slope
    return float((r / terms * total).real)


def two_layers_c(
    x_m: Sequence[float],
    time_s: float,
    outer: Layer,
    inner: Layer,
    *,
    h_w_m2k: float,
    air_c: float,
    contact_m2k_w: float = 0.0,
) -> Array:
    """Temperature of two layers: h to air at x = 0, contact at x = d1, insulated at x = d1 + d2.

    Laplace transform, T = Ti/p + A e^(-q x) + B e^(-q (d-x)) in each layer with q = sqrt(p rho c/k); the
    four constants from the face, the two conditions at the contact and the insulated back; inverted by
    `talbot`. C&J sec. 12.8 has the method. A point at x = d1 is taken on the outer layer's side.
    """

    def constants(p: complex) -> NDArray[np.complex128]:
        q_1, q_2 = (np.sqrt(p * layer.rho_c_j_m3k / layer.k_w_mk) for layer in (outer, inner))
        e_1, e_2 = np.exp(-q_1 * outer.thickness_m), np.exp(-q_2 * inner.thickness_m)
        f_1, f_2 = outer.k_w_mk * q_1, inner.k_w_mk * q_2
        h, r = h_w_m2k, contact_m2k_w
        matrix = np.array(
            [
                [h + f_1, (h - f_1) * e_1, 0.0, 0.0],  # h (air - T) = -k T'
                [-f_1 * e_1, f_1, f_2, -f_2 * e_2],  # the same flow on both sides of the contact
                [e_1 * (1 - r * f_1), 1 + r * f_1, -1.0, -e_2],  # T1 - T2 = r (-k1 T1')
                [0.0, 0.0, -e_2, 1.0],  # insulated back
            ],
            dtype=np.complex128,
        )
        right = np.array(
            [h * (air_c - outer.start_c) / p, 0.0, (inner.start_c - outer.start_c) / p, 0.0],
            dtype=np.complex128,
        )
        return np.asarray(np.linalg.solve(matrix, right), dtype=np.complex128)

    def at(x: float) -> float:
        layer, from_left, first = (outer, x, 0) if x <= outer.thickness_m else (inner, x - outer.thickness_m, 2)

        def transform(p: complex) -> complex:
            a, b = constants(p)[first : first + 2]
            q = np.sqrt(p * layer.rho_c_j_m3k / layer.k_w_mk)
            return complex(a * np.exp(-q * from_left) + b * np.exp(-q * (layer.thickness_m - from_left)))

        return layer.start_c + talbot(transform, time_s)

    return np.array([at(float(x)) for x in x_m])


# --- sag of a clamped sheet: s = drop/clamp radius, time in units of tau = eta/(rho g a) ---

HENCKY_DROP = 0.594879  # w = 0.5949 a (p a/(E h))^(1/3) for nu = 1/2; derived by shooting, checked below 0.1 %
SMALL_SAG = 0.10525821  # s^3 = 0.10526 rho g a t/eta: HENCKY_DROP^3/2, the viscous analogue (E -> 3 eta)

# Rectangles, long side/short side: C in w^3 = C rho g b^4 t/eta (b half the short side), and the radius of
# the circle that sags alike over b. Derived by Ritz with 7 x 7 and 14 x 14 functions, nu = 1/2, within
# about 1 %; the square agrees with D. Maier-Schneider et al., J. Microelectromech. Syst. 4 (1995) 238.
RECTANGLES: tuple[tuple[float, float, float], ...] = (
    (1.0, 0.1437, 1.081),
    (1.25, 0.2040, 1.180),
    (1.5, 0.2398, 1.229),
    (2.0, 0.268, 1.263),
    (3.0, 0.279, 1.276),
    (np.inf, 9.0 / 32.0, 1.2785),
)


def rectangle_equivalent_radius(constant: float) -> float:
    """a_eq/b of the circle with the same small sag: w^3 = C rho g b^4 t/eta -> (C/0.10526)^(1/4)."""
    return float((constant / SMALL_SAG) ** 0.25)


def strip_time(s: float) -> float:
    """Time (units of eta/(rho g b)) for a wide strip of half width b to drop s b: cylindrical cap.

    4 eta d/dt ln(theta/sin theta) = rho g b (1+s^2)/(2 s), tan(theta/2) = s. Derived (plane strain);
    small s: s^3 = (9/32) rho g b t/eta.
    """

    def time_per_s(u: float) -> float:
        theta, slope = 2.0 * np.arctan(u), 2.0 / (1.0 + u * u)
        small = theta / 3.0 + theta**3 / 45.0 + 2.0 * theta**5 / 945.0
        strain_rate = small if theta < 0.05 else 1.0 / theta - 1.0 / np.tan(theta)
        return float(4.0 * strain_rate * slope * 2.0 * u / (1.0 + u * u))

    return float(quad(time_per_s, 0.0, s, epsabs=0.0, epsrel=1e-12)[0])


def sag_time(s: float, factor: float = 28.0) -> float:
    """Time for a spherical cap that carries its whole weight to drop s.

    factor (atan(s)/8 + s/(8(1+s^2)) - s/(4(1+s^2)^2)), the integral of ds/dt = (1+s^2)^3/(factor s^2).
    Factor 24 is the equibiaxial film; 28 matches the exact membrane. Derived.
    """
    u = 1.0 + s * s
    if s < 0.02:  # the closed form cancels: s^3/3 - 3 s^5/5 + 6 s^7/7
        return float(factor * s**3 * (1.0 / 3.0 - 0.6 * s**2 + 6.0 / 7.0 * s**4))
    return float(factor * (np.arctan(s) / 8.0 + s / (8.0 * u) - s / (4.0 * u * u)))


def sag_drop(time: float, factor: float = 28.0) -> float:
    """Inverse of `sag_time`; time below the runaway at factor pi/16."""
    return _root(lambda s: sag_time(s, factor) - time, 0.0, 1e3)


def cap_radius(s: float) -> float:
    """Radius of the sphere through clamp and pole over the clamp radius: (1 + s^2)/(2 s)."""
    return (1.0 + s * s) / (2.0 * s)


def cap_area_ratio(s: float) -> float:
    """Area of the cap over the area of the opening: 1 + s^2; its inverse is the mean h/h0."""
    return 1.0 + s * s


def thermal_bow(expansion_1_k: float, rise_k: float) -> float:
    """Drop s of a sheet clamped cold that grows by alpha dT in its plane: sqrt(exp(2 alpha dT) - 1)."""
    return float(np.sqrt(np.expm1(2.0 * expansion_1_k * rise_k)))


def elastic_drop_m(clamp_radius_m: float, density_kg_m3: float, modulus_pa: float) -> float:
    """Small sag of a rubbery membrane under its own weight, any gauge: 0.5949 a (rho g a/E)^(1/3).

    H. Hencky, Z. Math. Phys. 63 (1915) 311-317, nu = 1/2 (constant derived by shooting).
    """
    g_m_s2 = 9.80665
    return float(HENCKY_DROP * clamp_radius_m * (density_kg_m3 * g_m_s2 * clamp_radius_m / modulus_pa) ** (1.0 / 3.0))


@dataclass(frozen=True)
class Membrane:
    """What the exact membrane did: drop s, time (units of tau), pole thickness over the first one."""

    drop: Array
    time: Array
    pole_thickness: Array


def newtonian_membrane(drops: Sequence[float], elements: int = 60, refine: int = 4) -> Membrane:
    """Axisymmetric Newtonian film clamped at r = a, dead vertical weight, thickness free to vary.

    sigma_m = 2 eta (2 e_m + e_t), sigma_t = 2 eta (2 e_t + e_m). Incremental variational form: each
    backward Euler step is a stationary point of dissipation/dt - work over the node positions, with
    logarithmic strain increments in `elements` linear rings. The step is driven by the pole's drop and dt
    is unknown, so the flat start (no stiffness) needs no special case. Extrapolated from `refine` and
    2 `refine` divisions in the drop (first order), and from half and all of the elements (second order).
    """

    def extrapolated(n: int) -> tuple[Array, Array]:
        coarse, fine = (_membrane_run(drops, n, r) for r in (refine, 2 * refine))
        return 2.0 * fine[0] - coarse[0], 2.0 * fine[1] - coarse[1]

    half, full = extrapolated(elements // 2), extrapolated(elements)
    time, pole = (f + (f - h) / 3.0 for h, f in zip(half, full, strict=True))
    return Membrane(_array(drops), time, pole)


def _membrane_path(drops: Sequence[float], refine: int) -> Array:
    """Drops to step through: steps of a quarter of the drop, at most 0.1, each divided by `refine`."""
    stops = [0.0, 0.004]
    for target in drops:
        while stops[-1] < target - 1e-12:
            room = target - stops[-1]
            step = min(0.25 * stops[-1], 0.1)
            stops.append(stops[-1] + room / max(1, round(room / step)) if room > step else target)
    ends = np.array(stops)
    fractions = np.arange(1, refine + 1) / refine
    return np.concatenate([[0.0], (ends[:-1, None] + np.diff(ends)[:, None] * fractions).ravel()])


def _membrane_run(drops: Sequence[float], elements: int, refine: int) -> tuple[Array, Array]:
    """One run of the membrane: time and pole thickness at each of `drops`."""
    rest = np.linspace(0.0, 1.0, elements + 1)
    volume = np.pi * np.diff(rest**2)  # of each ring; h0 = 1
    path = _membrane_path(drops, refine)
    shape = np.stack([rest, np.zeros_like(rest)], axis=1)  # r, w of each node
    previous, time = shape, 0.0
    times, poles = [], []
    dt, last_step = 0.0, 0.0
    for i, target in enumerate(path[1:]):
        step = target - path[i]
        if i == 0:  # from flat: a paraboloid, its time from the small-sag law
            guess = shape + np.stack([np.zeros_like(rest), target * (1.0 - rest**2)], axis=1)
            dt = 1.5 * target**3 / SMALL_SAG
        else:
            guess = shape + (shape - previous) * (step / last_step)
            dt *= step / last_step
        new, dt = _membrane_step(shape, guess, dt, float(target), volume)
        previous, shape, last_step = shape, new, step
        time += dt
        if np.any(np.isclose(target, drops, rtol=0.0, atol=1e-10)):
            length = np.hypot(*(shape[1] - shape[0]))
            times.append(time)
            poles.append(volume[0] / (2.0 * np.pi * 0.5 * (shape[0, 0] + shape[1, 0]) * length))
    return np.array(times), np.array(poles)


def _membrane_step(old: Array, guess: Array, dt: float, target: float, volume: Array) -> tuple[Array, float]:
    """Newton on the positions and dt of one step, the pole at `target`; bordered banded solve."""
    nodes = old.shape[0]
    old_length = np.hypot(*np.diff(old, axis=0).T)
    old_radius = 0.5 * (old[1:, 0] + old[:-1, 0])
    load = np.zeros((nodes, 2))
    load[:-1, 1] += 0.5 * volume
    load[1:, 1] += 0.5 * volume
    fixed = np.array([0, 2 * nodes - 2, 2 * nodes - 1])  # r at the pole; r and w at the clamp
    load_vector = load.ravel()
    load_vector[fixed] = 0.0
    position = guess.copy()
    position[0, 1] = target
    for _ in range(60):
        gradient, bands = _dissipation(position, old_length, old_radius, volume)
        residual = gradient - dt * load_vector
        residual[fixed] = 0.0
        for dof in fixed:
            bands[3, dof] = 1.0
            for offset in range(1, 4):
                for row, column in ((dof, dof - offset), (dof, dof + offset)):
                    if 0 <= column < 2 * nodes:
                        bands[3 + row - column, column] = 0.0
                        bands[3 + column - row, row] = 0.0
        moves = solve_banded((3, 3), bands, np.stack([-residual, load_vector], axis=1))
        # pole (dof 1) has to stay at the target: move_w + ddt * load_w = 0
        change = (target - position[0, 1] - moves[1, 0]) / moves[1, 1]
        move = (moves[:, 0] + change * moves[:, 1]).reshape(nodes, 2)
        scale = min(1.0, 0.2 * target / max(float(np.abs(move).max()), 1e-300))
        position = position + scale * move
        dt += scale * change
        if np.abs(move).max() < 1e-11 * target:
            return position, float(dt)
    raise RuntimeError(f"membrane step to drop {target:g} did not converge")


def _dissipation(position: Array, old_length: Array, old_radius: Array, volume: Array) -> tuple[Array, Array]:
    """Gradient and Hessian (bands of scipy.linalg.solve_banded) of sum 2 V (e_m^2 + e_m e_t + e_t^2)."""
    elements = volume.size
    delta = np.diff(position, axis=0)
    length_2 = (delta**2).sum(axis=1)
    radius = 0.5 * (position[1:, 0] + position[:-1, 0])
    e_m = 0.5 * np.log(length_2) - np.log(old_length)
    e_t = np.log(radius / old_radius)
    g_m = np.concatenate([-delta, delta], axis=1) / length_2[:, None]  # d e_m/d(r1, w1, r2, w2)
    g_t = np.zeros((elements, 4))
    g_t[:, 0] = g_t[:, 2] = 0.5 / radius
    s_m, s_t = 2.0 * volume * (2.0 * e_m + e_t), 2.0 * volume * (e_m + 2.0 * e_t)
    difference = np.kron(np.array([[1.0, -1.0], [-1.0, 1.0]]), np.eye(2))
    mm, tt = g_m[:, :, None] * g_m[:, None, :], g_t[:, :, None] * g_t[:, None, :]
    mt = g_m[:, :, None] * g_t[:, None, :]
    stiffness = 2.0 * volume[:, None, None] * (2.0 * mm + 2.0 * tt + mt + mt.transpose(0, 2, 1))
    stiffness += s_m[:, None, None] * (difference / length_2[:, None, None] - 2.0 * mm)
    stiffness -= s_t[:, None, None] * tt
    force = s_m[:, None] * g_m + s_t[:, None] * g_t
    gradient = np.zeros(2 * elements + 2)
    bands = np.zeros((7, 2 * elements + 2))
    first = 2 * np.arange(elements)
    for a in range(4):
        np.add.at(gradient, first + a, force[:, a])
        for b in range(4):
            bands[3 + a - b] += np.bincount(first + b, stiffness[:, a, b], 2 * elements + 2)
    return gradient, bands
