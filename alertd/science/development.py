"""Rates of mite development and increase against temperature."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from alertd.catalog.species import Curve, CurveForm, Species, load_species

Array = npt.NDArray[np.float64]

BOLTZMANN_EV_K = 8.617e-5
ZERO_CELSIUS_K = 273.15


def species_record(species: str) -> Species:
    """Return the catalog record of a species.

    Parameters
    ----------
    species : str
        Catalog key, such as ``twospotted``.

    Returns
    -------
    Species
        The record.

    Raises
    ------
    ValueError
        If the catalog has no such key.
    """
    try:
        return load_species()[species]
    except KeyError:
        raise ValueError(
            f"species: {species!r} is not in the catalog; use one of {', '.join(load_species())}"
        ) from None


def linear(air_temperature_c: npt.ArrayLike, lower_c: float, constant_c_d: float) -> Array:
    """Rate of development by the degree-day line.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where unknown. [degC]
    lower_c : float
        Lower threshold of development. [degC]
    constant_c_d : float
        Degree-days that the stage takes, above zero. [degC d]

    Returns
    -------
    ndarray, shape of the input
        Rate of development, zero below the threshold, NaN where unknown. [1/d]

    Raises
    ------
    ValueError
        If ``constant_c_d`` is not above zero.

    Notes
    -----
    .. math:: v = max(0, T - T_0) / K

    Valid in the straight part of the response only; it knows no upper limit.

    References
    ----------
    Campbell, Frazer, Gilbert, Gutierrez and Mackauer 1974, J. Appl. Ecol. 11:431-438 (from memory).

    Examples
    --------
    >>> round(1 / float(linear(25.0, 11.74, 108.6)), 2)
    8.19
    """
    if not constant_c_d > 0.0:
        raise ValueError(f"constant_c_d: {constant_c_d} degC d; give more than 0")
    temperature_c = np.asarray(air_temperature_c, dtype=np.float64)
    return np.maximum(temperature_c - lower_c, 0.0) / constant_c_d


def briere(air_temperature_c: npt.ArrayLike, a: float, lower_c: float, lethal_c: float) -> Array:
    r"""Rate of development by the first curve of Briere.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where unknown. [degC]
    a : float
        Scale of the curve. [1/(d degC2.5)]
    lower_c, lethal_c : float
        Temperatures at which development stops. [degC]

    Returns
    -------
    ndarray, shape of the input
        Rate of development, zero outside the two limits, NaN where unknown. [1/d]

    Notes
    -----
    .. math:: v = a T (T - T_0) \sqrt{T_L - T}

    Valid from the lower limit to the highest temperature that the fit has seen, usually well short of the
    lethal one.

    References
    ----------
    Briere, Pracros, Le Roux and Pierre 1999, Environ. Entomol. 28:22-29 (from memory), first model.

    Examples
    --------
    >>> round(1 / float(briere(30.0, 7.86e-5, 10.23, 40.3)), 2)
    6.68
    """
    temperature_c = np.asarray(air_temperature_c, dtype=np.float64)
    inside = np.clip(temperature_c, lower_c, lethal_c)
    rate = a * inside * (inside - lower_c) * np.sqrt(lethal_c - inside)
    return np.maximum(rate, 0.0)


def lactin(
    air_temperature_c: npt.ArrayLike, rho: float, lethal_c: float, delta: float, shift: float
) -> Array:
    r"""Rate of development by the second curve of Lactin.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where unknown. [degC]
    rho : float
        Rate of rise. [1/degC]
    lethal_c : float
        Temperature where the two exponentials meet. [degC]
    delta : float
        Breadth of the fall near the upper end. [degC]
    shift : float
        Offset that makes a true lower zero; negative. [1/d]

    Returns
    -------
    ndarray, shape of the input
        Rate of development, zero where the curve is below zero, NaN where unknown. [1/d]

    Notes
    -----
    .. math:: v = e^{\rho T} - e^{\rho T_M - (T_M - T) / \Delta} + \lambda

    Valid between the two zeros of the curve, as far as the fit has seen.

    References
    ----------
    Lactin, Holliday, Johnson and Craigen 1995, Environ. Entomol. 24:68-75 (from memory), second model.

    Examples
    --------
    >>> round(1 / float(lactin(30.0, 0.00689738, 44.3215, 2.49052, -1.0782973)), 1)
    6.8
    """
    temperature_c = np.minimum(np.asarray(air_temperature_c, dtype=np.float64), lethal_c)
    fall = np.exp(rho * lethal_c - (lethal_c - temperature_c) / delta)
    return np.maximum(np.exp(rho * temperature_c) - fall + shift, 0.0)


def sharpe_schoolfield(
    air_temperature_c: npt.ArrayLike,
    reference_rate: float,
    reference_c: float,
    activation_ev: float,
    deactivation_ev: float,
    optimum_c: float,
) -> Array:
    """Rate of development by the Sharpe-Schoolfield equation with heat inactivation.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where unknown. [degC]
    reference_rate : float
        Rate at the reference temperature, before inactivation. [1/d]
    reference_c : float
        Reference temperature. [degC]
    activation_ev, deactivation_ev : float
        Energies of rise and fall; the second is the larger. [eV]
    optimum_c : float
        Temperature of the maximum. [degC]

    Returns
    -------
    ndarray, shape of the input
        Rate of development, above zero everywhere, NaN where unknown. [1/d]

    Raises
    ------
    ValueError
        If ``deactivation_ev`` does not exceed ``activation_ev``.

    Notes
    -----
    .. math:: v = r e^{(e/k)(1/T_r - 1/T)} / (1 + e/(e_h - e) e^{(e_h/k)(1/T_o - 1/T)})

    with temperatures in kelvin and k = 8.617e-5 eV/K. It has no zeros, so it should not be read
    below about 12 or above about 40 degC.

    References
    ----------
    Schoolfield, Sharpe and Magnuson 1981, J. Theor. Biol. 88:719-731 (from memory), in the form with
    the optimum as a parameter.

    Examples
    --------
    >>> round(float(sharpe_schoolfield(30.0, 0.05659, 15.0, 0.5638, 4.683, 31.467)), 4)
    0.1646
    """
    if not deactivation_ev > activation_ev:
        raise ValueError(f"deactivation_ev: {deactivation_ev} eV; give more than activation_ev")
    temperature_k = np.asarray(air_temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
    rise = (activation_ev / BOLTZMANN_EV_K) * (1.0 / (reference_c + ZERO_CELSIUS_K) - 1.0 / temperature_k)
    fall = (deactivation_ev / BOLTZMANN_EV_K) * (1.0 / (optimum_c + ZERO_CELSIUS_K) - 1.0 / temperature_k)
    share = activation_ev / (deactivation_ev - activation_ev)
    return np.asarray(reference_rate * np.exp(rise) / (1.0 + share * np.exp(fall)))


_FORMS: Mapping[CurveForm, Callable[..., Array]] = MappingProxyType({
    CurveForm.LINEAR: linear,
    CurveForm.BRIERE: briere,
    CurveForm.LACTIN: lactin,
    CurveForm.SHARPE_SCHOOLFIELD: sharpe_schoolfield,
})  # fmt: skip


def curve_rate(air_temperature_c: npt.ArrayLike, curve: Curve) -> Array:
    """Rate of development by a catalog curve.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where unknown. [degC]
    curve : Curve
        Form and parameters from the catalog.

    Returns
    -------
    ndarray, shape of the input
        Rate of development, never below zero, NaN where unknown. [1/d]
    """
    parameters = {name: float(figure) for name, figure in curve.parameters.items()}
    return _FORMS[curve.form](air_temperature_c, **parameters)


def development_rate(air_temperature_c: npt.ArrayLike, species: str) -> Array:
    """Rate of development from egg to adult of a species.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where unknown. Use hourly values: the curve bends, so the rate
        at a daily mean is not the mean rate. [degC]
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape of the input
        Share of the development from laying to adult that passes in a day; zero outside the limits
        of the species, never negative, NaN where unknown. [1/d]

    Raises
    ------
    ValueError
        If the catalog has no such species.

    Notes
    -----
    Form, parameters and their standing are in ``species.toml``. For ``twospotted`` the curve is a fit
    to published days and valid between 15 and 35 degC; for the other species it is provisional.

    References
    ----------
    Named with each species in ``species.toml``; for ``twospotted`` Carey and Bradley 1982, Bounfour and
    Tanigoshi 2001, Herbert 1981 and Bayu et al. 2017 among others.

    Examples
    --------
    >>> development_rate([5.0, 25.0, 45.0], "twospotted").round(2).tolist()
    [0.0, 0.11, 0.0]
    """
    return curve_rate(air_temperature_c, species_record(species).curve)


def intrinsic_rate(air_temperature_c: npt.ArrayLike, species: str) -> Array:
    """Intrinsic rate of increase of a species on a good host, between catalog knots.

    Parameters
    ----------
    air_temperature_c : array_like
        Air temperature, any shape; NaN where unknown. [degC]
    species : str
        Catalog key.

    Returns
    -------
    ndarray, shape of the input
        Growth of a population of steady age structure, NaN where unknown. [1/d]

    Raises
    ------
    ValueError
        If the catalog has no such species.

    Notes
    -----
    Straight lines between the knots of ``species.toml``, zero at and beyond the outer knots. Outdoors
    a number below zero would claim to know how fast mites die in cold or heat; none is published, so
    the rate is never negative and the losses of a hot day are left to the population model. Valid between
    the outer knots.

    References
    ----------
    Named with each species in ``species.toml``; for ``twospotted`` Herbert 1981, Bounfour and Tanigoshi
    2001 and Riahi et al. 2013 among others.

    Examples
    --------
    >>> intrinsic_rate([5.0, 15.0, 30.0, 45.0], "twospotted").tolist()
    [0.0, 0.07, 0.32, 0.0]
    """
    knots = species_record(species).rate_of_increase
    temperature_c = np.asarray(air_temperature_c, dtype=np.float64)
    return np.asarray(np.interp(temperature_c, knots.x, knots.y, left=0.0, right=0.0), dtype=np.float64)


def doubling_time(growth_per_d: npt.ArrayLike) -> Array:
    r"""Time in which a population doubles.

    Parameters
    ----------
    growth_per_d : array_like
        Rate of increase, any shape; NaN where unknown. [1/d]

    Returns
    -------
    ndarray, shape of the input
        Doubling time; infinite where the rate is not above zero, NaN where unknown. [d]

    Notes
    -----
    .. math:: t = \ln 2 / r

    Examples
    --------
    >>> doubling_time([0.321, 0.0]).round(2).tolist()
    [2.16, inf]
    """
    growth = np.asarray(growth_per_d, dtype=np.float64)
    positive = np.where(growth > 0.0, growth, 1.0)
    return np.where(np.isnan(growth), np.nan, np.where(growth > 0.0, np.log(2.0) / positive, np.inf))
