"""Numbers and times as the reader writes them: US or metric units, the site's own clock."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from alertd.records.site import UnitSystem
from alertd.units import (
    celsius_to_fahrenheit,
    degree_days_c_to_f,
    km_h_to_m_s,
    m_s_to_km_h,
    m_s_to_mph,
    mm_to_inches,
)

UNKNOWN = "unknown"
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
TRACE_MM = 0.05


def _is_unknown(value: float | None) -> bool:
    return value is None or not math.isfinite(value)


@dataclass(frozen=True, slots=True)
class Quantities:
    """Writes SI values in the reader's units; an unknown value says so."""

    units: UnitSystem

    @property
    def is_us(self) -> bool:
        """Whether the reader thinks in Fahrenheit, inches and miles per hour."""
        return self.units is UnitSystem.US

    def degrees(self, temperature_c: float) -> float:
        """Return a temperature on the reader's scale."""
        return celsius_to_fahrenheit(temperature_c) if self.is_us else temperature_c

    def depth(self, depth_mm: float) -> float:
        """Return a depth of water on the reader's scale."""
        return mm_to_inches(depth_mm) if self.is_us else depth_mm

    def temperature(self, temperature_c: float | None) -> str:
        """Return a temperature in words, whole degrees."""
        if temperature_c is None or _is_unknown(temperature_c):
            return UNKNOWN
        return f"{_whole_number(self.degrees(temperature_c))}{self.degree_sign}"

    def span(self, low_c: float | None, high_c: float | None) -> str:
        """Return low and high of a day in words."""
        if low_c is None or high_c is None or _is_unknown(low_c) or _is_unknown(high_c):
            return f"low {self.temperature(low_c)}, high {self.temperature(high_c)}"
        return f"{_whole_number(self.degrees(low_c))} to {self.temperature(high_c)}"

    @property
    def degree_sign(self) -> str:
        """The sign behind a temperature."""
        return "°F" if self.is_us else "°C"

    @property
    def depth_unit(self) -> str:
        """The unit behind a depth of water."""
        return "in" if self.is_us else "mm"

    def rain(self, depth_mm: float | None) -> str:
        """Return an amount of rain in words; ``no rain`` below a trace."""
        if depth_mm is None or _is_unknown(depth_mm):
            return "rain unknown"
        if depth_mm < TRACE_MM:
            return "no rain"
        return f"{self.water(depth_mm)} of rain"

    def water(self, depth_mm: float | None) -> str:
        """Return a depth of water in words."""
        if depth_mm is None or _is_unknown(depth_mm):
            return UNKNOWN
        depth = self.depth(depth_mm)
        if self.is_us:
            return f"{depth:.2f} in" if depth < 1.0 else f"{depth:.1f} in"
        return f"{depth:.1f} mm" if depth < 10.0 else f"{_whole_number(depth)} mm"

    def wind(self, speed_m_s: float | None) -> str:
        """Return a wind speed in words."""
        if speed_m_s is None or _is_unknown(speed_m_s):
            return UNKNOWN
        if self.is_us:
            return f"{_whole_number(m_s_to_mph(speed_m_s))} mph"
        return f"{_whole_number(m_s_to_km_h(speed_m_s))} km/h"

    def degree_days(self, degree_days_c_d: float | None) -> str:
        """Return degree-days in words."""
        if degree_days_c_d is None or _is_unknown(degree_days_c_d):
            return UNKNOWN
        amount = degree_days_c_to_f(degree_days_c_d) if self.is_us else degree_days_c_d
        return f"{_whole_number(amount)} degree-days {'F' if self.is_us else 'C'}"

    def whole(self, value: float | None) -> str:
        """Return a bare number without decimals."""
        return UNKNOWN if value is None or _is_unknown(value) else f"{_whole_number(value)}"

    def number(self, value: float | None) -> str:
        """Return a bare number with one decimal at most."""
        if value is None or _is_unknown(value):
            return UNKNOWN
        return f"{_whole_number(value)}" if abs(value - round(value)) < 0.05 else f"{value:.1f}"


LEAST_TOLD, MOST_TOLD = 0.05, 0.95


def chance_words(chance: float | None) -> str:
    """Return a chance in tens, such as ``about 80%``; nothing where it is unknown, never a certainty."""
    if chance is None or _is_unknown(chance):
        return ""
    if chance < LEAST_TOLD:
        return "under 10%"
    if chance >= MOST_TOLD:
        return "over 90%"
    return f"about {10 * _whole_number(10.0 * chance)}%"


def chance_basis(days: int, ensemble: str = "") -> str:
    """Return what chances come from: forecast or ensemble, alone or corrected by so many verified days."""
    source = "from the forecast's ensemble" if ensemble else "from the forecast"
    if not days:
        return source if ensemble else f"{source} alone"
    record = "one day" if days == 1 else f"{days} days"
    return f"{source}, corrected by our record of {record}"


def _whole_number(value: float) -> int:
    return math.floor(value + 0.5)


@dataclass(frozen=True, slots=True)
class Calendar:
    """Writes days and instants of one site, in the order and clock of the reader."""

    zone: ZoneInfo
    units: UnitSystem

    def day(self, day: str | dt.date) -> str:
        """Return a local day, such as ``Tue Jul 16`` or ``Tue 16 Jul``."""
        date = dt.date.fromisoformat(day) if isinstance(day, str) else day
        month = MONTHS[date.month - 1]
        order = f"{month} {date.day}" if self.units is UnitSystem.US else f"{date.day} {month}"
        return f"{DAYS[date.weekday()]} {order}"

    def local(self, at: str | dt.datetime) -> dt.datetime:
        """Return an instant on the site's clock."""
        instant = dt.datetime.fromisoformat(at) if isinstance(at, str) else at
        if instant.tzinfo is None:
            instant = instant.replace(tzinfo=dt.UTC)
        return instant.astimezone(self.zone)

    def clock(self, at: str | dt.datetime) -> str:
        """Return the local time of day, such as ``6 AM`` or ``06:00``."""
        local = self.local(at)
        if self.units is not UnitSystem.US:
            return f"{local:%H:%M}"
        minutes = f":{local.minute:02d}" if local.minute else ""
        return f"{(local.hour + 11) % 12 + 1}{minutes} {'AM' if local.hour < 12 else 'PM'}"

    def zone_name(self, at: str | dt.datetime) -> str:
        """Return the short name of the site's clock at an instant, such as ``EDT`` or ``UTC+3``."""
        name = self.local(at).tzname() or "UTC"
        return f"UTC{name}" if name[:1] in "+-" else name

    def moment(self, at: str | dt.datetime) -> str:
        """Return day, time and zone, such as ``Tue Jul 16, 6 AM EDT``."""
        return f"{self.day(self.local(at).date())}, {self.clock(at)} {self.zone_name(at)}"

    def window(self, start_at: str | dt.datetime, end_at: str | dt.datetime) -> str:
        """Return a stretch of time; the zone stands twice if the clock changes inside it."""
        start, end = self.local(start_at), self.local(end_at)
        changes = self.zone_name(start) != self.zone_name(end)
        first = f"{self.day(start.date())}, {self.clock(start)}"
        first = f"{first} {self.zone_name(start)}" if changes else first
        same_day = start.date() == end.date()
        last = self.clock(end) if same_day else f"{self.day(end.date())}, {self.clock(end)}"
        return f"{first} to {last} {self.zone_name(end)}"

    def short_window(self, start_at: str | dt.datetime, end_at: str | dt.datetime) -> str:
        """Return a stretch of time for a subject line: ``Tue Jul 16, 6-9 AM``."""
        start, end = self.local(start_at), self.local(end_at)
        first, last = self.clock(start), self.clock(end)
        if start.date() != end.date():
            return f"{self.day(start.date())}, {first} on"
        if first[-3:] == last[-3:] and first.endswith(("AM", "PM")):
            first = first[:-3]
        return f"{self.day(start.date())}, {first}-{last}"


_SI = re.compile(
    r"(?<![\w.])(?P<number>-?\d+(?:\.\d+)?) ?(?P<unit>degC d|degC|°C|mm|m/s|km/h)(?![\w/])"
    r"|(?<![\w-])(?P<instant>\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:Z|[+-]\d{2}:\d{2}))"
    r"|(?<![\w-])(?P<day>\d{4}-\d{2}-\d{2})(?![\w-])"
)


def for_reader(text: str, quantities: Quantities, calendar: Calendar) -> str:
    """Return a sentence of the evidence with its SI figures and ISO dates as the reader writes them."""

    def written(found: re.Match[str]) -> str:
        try:
            if found["instant"]:
                return calendar.moment(found["instant"])
            if found["day"]:
                return calendar.day(found["day"])
        except ValueError:  # looks like a date but is none
            return found.group()
        return _quantity(float(found["number"]), found["unit"], quantities)

    return _SI.sub(written, text)


def _quantity(value: float, unit: str, quantities: Quantities) -> str:
    if unit == "degC d":
        return quantities.degree_days(value)
    if unit == "mm":
        return quantities.water(value)
    if unit == "m/s":
        return quantities.wind(value)
    if unit == "km/h":
        return quantities.wind(km_h_to_m_s(value))
    return quantities.temperature(value)
