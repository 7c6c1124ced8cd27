"""Where the sun stands, when it rises and sets, how long the day is."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal, overload

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Instants = npt.NDArray[np.datetime64]

J2000 = np.datetime64("2000-01-01T12:00:00", "us")
J2000_UNIX_S = 946_728_000.0
REFRACTION_AT_HORIZON_DEG = 34.0 / 60.0
SEMIDIAMETER_AT_1_AU_DEG = 0.2666
PARALLAX_RAD = np.radians(8.794 / 3600.0)
CIVIL_TWILIGHT_DEG = -6.0
# 1 January 2026 0 h: the second year after a leap year lies in the middle of the four-year cycle.
MIDDLE_YEAR_D = 9496.5
RISE_STEPS = 5
# Noon by the mean sun falls at 0 to 1 d after midnight UTC, sunrise and sunset up to half a day from it.
NODES_D = (-0.6, 0.15, 0.85, 1.6)
CUBIC = np.linalg.inv(np.vander(NODES_D))


def altitude(latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike, at: object) -> Array:
    """Altitude of the sun's centre above the horizon, without refraction.

    Parameters
    ----------
    latitude_deg : array_like
        North positive. [degrees]
    longitude_deg : array_like
        East positive. [degrees]
    at : datetime or array_like of datetime64 or of datetime
        Instants, broadcastable against the places, for example [site, 1] against [hour]. A datetime
        must be aware, a datetime64 is UTC; NaT where missing.

    Returns
    -------
    ndarray of float64
        Broadcast shape, -90..90; NaN where missing. [degrees]

    Raises
    ------
    ValueError
        If a datetime is not aware or `at` is no instant.

    Notes
    -----
    Low-precision solar coordinates, valid to about 0.01 degrees from 1950 to 2050; UT is taken for TT.
    Refraction would lift the sun by 0.5 degrees at the horizon and less than 0.1 above 10 degrees.

    References
    ----------
    Meeus 1998, Astronomical Algorithms, 2nd ed., chapters 12, 13 and 25 (formulas from memory, checked
    against ephem).

    Examples
    --------
    >>> noon = dt.datetime(2025, 7, 15, 18, tzinfo=dt.timezone.utc)
    >>> round(float(altitude(32.7767, -96.797, noon)), 1)
    76.4
    """
    days = _days_since_j2000(at)
    latitude, longitude = _radians(latitude_deg), _radians(longitude_deg)
    declination, right_ascension, _ = _sun_place(days)
    # The cosine of the hour angle is taken apart, so that every sine belongs to a place or to an instant
    # alone: for many places over the same hours only products are left.
    meridian = _sidereal_time(days) - right_ascension
    across = np.cos(latitude)
    sine = (
        np.sin(latitude) * np.sin(declination)
        + (across * np.cos(longitude)) * (np.cos(declination) * np.cos(meridian))
        - (across * np.sin(longitude)) * (np.cos(declination) * np.sin(meridian))
    )
    sine = np.clip(sine, -1.0, 1.0)
    parallax = PARALLAX_RAD * np.sqrt(1.0 - sine * sine)
    return np.asarray(np.degrees(np.arcsin(sine) - parallax), dtype=np.float64)


@overload
def sunrise_sunset(
    latitude_deg: float, longitude_deg: float, day: dt.date
) -> tuple[dt.datetime | None, dt.datetime | None]: ...


@overload
def sunrise_sunset(
    latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike, day: Instants | dt.date
) -> tuple[Instants, Instants]: ...


def sunrise_sunset(latitude_deg: Any, longitude_deg: Any, day: Any) -> tuple[Any, Any]:
    """Rise and set of the sun's upper edge on the civil day of the longitude.

    Parameters
    ----------
    latitude_deg : float or array_like
        North positive. [degrees]
    longitude_deg : float or array_like
        East positive. [degrees]
    day : date or array_like of datetime64[D]
        Local calendar day.

    Returns
    -------
    tuple of datetime or None
        Sunrise and sunset in UTC, to the second, for one place and one date; None, None where the
        sun does not rise or does not set.
    tuple of ndarray of datetime64[s]
        The same for arrays, of broadcast shape, with NaT for None.

    Raises
    ------
    ValueError
        If `day` is an instant instead of a date.

    Notes
    -----
    Sunrise is the last before and sunset the first after the noon that falls at 12 h local mean time
    of `day`, never the events of the UTC day: on 15 September the sun sets at Dallas on the UTC date
    of the 16th. Zones that keep the date of the other side of the date line (Samoa, Tonga, the Line
    Islands) have to ask for the day before.

    The edge is on the horizon when the centre is 34' and the true semidiameter below it; height of
    the place and of the skyline are left out. Within 60 s between 65 degrees south and north.

    References
    ----------
    Meeus 1998, Astronomical Algorithms, 2nd ed., chapter 15 (from memory, checked against ephem).

    Examples
    --------
    >>> rise, sets = sunrise_sunset(32.7767, -96.797, dt.date(2025, 9, 15))
    >>> f"{rise:%d %H:%M} {sets:%d %H:%M}"
    '15 12:11 16 00:32'
    """
    if isinstance(day, dt.datetime):
        raise ValueError(f"day: {day!r} is an instant; give the local date")  # noqa: TRY004  # a datetime is a date
    days = np.asarray(day, dtype="datetime64[D]")
    midnight = np.asarray(_days_since_j2000(days))
    rise, sets = _rise_and_set(_radians(latitude_deg), _radians(longitude_deg), midnight)
    if isinstance(day, dt.date) and rise.ndim == 0:
        return _as_datetime(float(rise)), _as_datetime(float(sets))
    return _as_instants(rise), _as_instants(sets)


def day_length(
    latitude_deg: npt.ArrayLike,
    day_of_year: npt.ArrayLike,
    twilight: Literal["none", "civil"] = "none",
) -> Array:
    r"""Length of the day from sunrise to sunset, or with both civil twilights.

    Parameters
    ----------
    latitude_deg : array_like
        North positive. [degrees]
    day_of_year : array_like
        1 for 1 January; broadcastable. [day]
    twilight : {"none", "civil"}
        "none": between the moments the upper edge is seen on the horizon (centre 50' below it);
        "civil": between the moments the centre is 6 degrees below it.

    Returns
    -------
    ndarray of float64
        Broadcast shape, 0..24; NaN where missing. [h]

    Raises
    ------
    ValueError
        If `twilight` is neither.

    Notes
    -----
    .. math:: N = \frac{24}{\pi} \arccos\frac{\sin h_0 - \sin\varphi \sin\delta}
                                             {\cos\varphi \cos\delta}

    with the declination at noon of the day in a year in the middle of the leap cycle. The geometric
    day of FAO-56 eq. 34 is `alertd.science.radiation.daylight_hours`.

    Examples
    --------
    >>> round(float(day_length(40.0, 172)), 1), round(float(day_length(40.0, 172, "civil")), 1)
    (15.0, 16.1)
    """
    if twilight not in ("none", "civil"):
        raise ValueError(f"twilight: {twilight!r} is not one of none, civil")
    horizon = CIVIL_TWILIGHT_DEG
    if twilight == "none":
        horizon = -(REFRACTION_AT_HORIZON_DEG + SEMIDIAMETER_AT_1_AU_DEG)
    noon = MIDDLE_YEAR_D + np.asarray(day_of_year, dtype=np.float64) - 0.5
    declination, _, _ = _sun_place(noon)
    half = _half_arc_cosine(_radians(latitude_deg), declination, np.radians(horizon))
    return np.asarray(np.arccos(np.clip(half, -1.0, 1.0)) * (24.0 / np.pi), dtype=np.float64)


def _radians(angle_deg: npt.ArrayLike) -> Array:
    return np.asarray(np.radians(np.asarray(angle_deg, dtype=np.float64)), dtype=np.float64)


def _days_since_j2000(at: object) -> Array:
    if isinstance(at, dt.datetime):
        if at.tzinfo is None:
            raise ValueError(f"at: {at!r} has no time zone; give an aware instant")
        return np.asarray((at.timestamp() - J2000_UNIX_S) / 86400.0)
    instants = np.asarray(at)
    if instants.dtype.kind == "O":
        return np.array([_days_since_j2000(one) for one in instants.ravel()]).reshape(instants.shape)
    if instants.dtype.kind != "M":
        raise ValueError(f"at: {type(at).__name__} is not an instant; give datetime or datetime64")
    return np.asarray((instants.astype("datetime64[us]") - J2000) / np.timedelta64(86_400_000_000, "us"))


def _sun_place(days: Array) -> tuple[Array, Array, Array]:
    """Apparent declination and right ascension (from the mean equinox) [rad] and distance [au]."""
    century = days / 36525.0
    longitude = np.radians(280.46646 + 36000.76983 * century + 0.0003032 * century**2)
    anomaly = np.radians(357.52911 + 35999.05029 * century - 0.0001537 * century**2)
    eccentricity = 0.016708634 - 0.000042037 * century
    centre = np.radians(
        (1.914602 - 0.004817 * century) * np.sin(anomaly)
        + (0.019993 - 0.000101 * century) * np.sin(2.0 * anomaly)
        + 0.000289 * np.sin(3.0 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * century)
    nutation = np.radians(-0.00478 * np.sin(node))
    apparent = longitude + centre - np.radians(0.00569) + nutation
    obliquity = np.radians(23.439291 - 0.0130042 * century + 0.00256 * np.cos(node))
    declination = np.arcsin(np.sin(obliquity) * np.sin(apparent))
    right_ascension = np.arctan2(np.cos(obliquity) * np.sin(apparent), np.cos(apparent))
    # Mean sidereal time is used throughout, so the equation of the equinoxes is taken off here.
    right_ascension = right_ascension - nutation * np.cos(obliquity)
    distance = 1.000001018 * (1.0 - eccentricity**2) / (1.0 + eccentricity * np.cos(anomaly + centre))
    return declination, right_ascension, distance


def _sidereal_time(days: Array) -> Array:
    """Mean sidereal time at Greenwich [rad], cut to one turn for the sake of precision."""
    return np.asarray(np.radians((280.46061837 + 360.98564736629 * days) % 360.0), dtype=np.float64)


def _half_arc_cosine(latitude: Array, declination: Array, horizon: npt.ArrayLike) -> Array:
    cosine: Array = (np.sin(horizon) - np.sin(latitude) * np.sin(declination)) / (
        np.cos(latitude) * np.cos(declination)
    )
    return cosine


def _wrapped(angle: Array) -> Array:
    return np.asarray((angle + np.pi) % (2.0 * np.pi) - np.pi, dtype=np.float64)


def _rise_and_set(latitude: Array, longitude: Array, midnight: Array) -> tuple[Array, Array]:
    turn = 2.0 * np.pi
    at_place = _Ephemeris(midnight)
    transit = midnight + 0.5 - longitude / turn
    for _ in range(2):
        transit = transit - _wrapped(at_place.hour_angle(transit, longitude)) / turn
    level, slope = np.sin(latitude), np.cos(latitude)
    events = []
    for side in (-1.0, 1.0):
        moment = transit + side * 0.25 + np.zeros_like(latitude)
        cosine = np.zeros_like(moment)
        for _ in range(RISE_STEPS):
            sine, dip = at_place.declination_sine(moment), at_place.horizon_sine(moment)
            cosine = (dip - level * sine) / (slope * np.sqrt(1.0 - sine * sine))
            wanted = side * np.arccos(np.clip(cosine, -1.0, 1.0))
            moment = moment + _wrapped(wanted - at_place.hour_angle(moment, longitude)) / turn
        events.append(np.where(np.abs(cosine) <= 1.0, moment, np.nan))
    known = np.isfinite(events[0]) & np.isfinite(events[1])
    return np.where(known, events[0], np.nan), np.where(known, events[1], np.nan)


class _Ephemeris:
    """The sun around the days that begin at `midnight`, by the cubics through four moments of each.

    The moments span every place's sunrise and sunset. Between them the cubic is within 1e-8 rad, far
    below the ephemeris' own error, and costs no sine.
    """

    def __init__(self, midnight: Array) -> None:
        self.midnight = midnight
        places = [_sun_place(midnight + node) for node in NODES_D]
        declinations, ascensions, distances = zip(*places, strict=True)
        # the place among the stars, run on without a jump at the full turn
        start = ascensions[0]
        self._ascension = _cubic([start + _wrapped(one - start) for one in ascensions])
        self._declination_sine = _cubic([np.sin(one) for one in declinations])
        dips = [REFRACTION_AT_HORIZON_DEG + SEMIDIAMETER_AT_1_AU_DEG / one for one in distances]
        self._horizon_sine = _cubic([np.sin(-np.radians(dip)) for dip in dips])

    def declination_sine(self, days: Array) -> Array:
        """Sine of the declination."""
        return _value(self._declination_sine, days - self.midnight)

    def horizon_sine(self, days: Array) -> Array:
        """Sine of the altitude of the centre while the upper edge is seen on the horizon."""
        return _value(self._horizon_sine, days - self.midnight)

    def hour_angle(self, days: Array, longitude: Array) -> Array:
        """Hour angle at a longitude, not yet cut to one turn."""
        ascension = _value(self._ascension, days - self.midnight)
        angle: Array = _sidereal_time(days) + longitude - ascension
        return angle


def _cubic(values: list[Array]) -> tuple[Array, ...]:
    """Coefficients, highest first, of the cubic through values at ``NODES_D``."""
    stacked = np.stack(values)
    return tuple(np.asarray(np.tensordot(row, stacked, axes=1)) for row in CUBIC)


def _value(cubic: tuple[Array, ...], at: Array) -> Array:
    a, b, c, d = cubic
    value: Array = ((a * at + b) * at + c) * at + d
    return value


def _as_datetime(days: float) -> dt.datetime | None:
    if np.isnan(days):
        return None
    return dt.datetime.fromtimestamp(round(days * 86400.0 + J2000_UNIX_S), tz=dt.UTC)


def _as_instants(days: Array) -> Instants:
    known = np.isfinite(days)
    seconds = np.rint(np.where(known, days, 0.0) * 86400.0 + J2000_UNIX_S).astype(np.int64)
    return np.where(known, seconds.astype("datetime64[s]"), np.datetime64("NaT", "s"))
