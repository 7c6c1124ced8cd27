"""Numbers and times read as the reader writes them."""

from __future__ import annotations

import datetime as dt
import math
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.delivery.reading import Calendar, Quantities, for_reader
from alertd.records.site import UnitSystem

US, METRIC = Quantities(UnitSystem.US), Quantities(UnitSystem.METRIC)
NEW_YORK = Calendar(ZoneInfo("America/New_York"), UnitSystem.US)
BERLIN = Calendar(ZoneInfo("Europe/Berlin"), UnitSystem.METRIC)


def test_temperatures_are_whole_degrees_on_the_readers_scale() -> None:
    # Fixed points of the Fahrenheit scale: 0 degC = 32 degF, 100 degC = 212 degF, -40 is the same on both.
    assert [US.temperature(t) for t in (0.0, 100.0, -40.0)] == ["32°F", "212°F", "-40°F"]
    assert [METRIC.temperature(t) for t in (0.0, 29.4, -0.4)] == ["0°C", "29°C", "0°C"]
    assert US.temperature(29.4) == "85°F"


def test_rain_is_inches_or_millimetres_and_a_trace_is_no_rain() -> None:
    assert US.rain(25.4) == "1.0 in of rain"
    assert US.rain(5.0) == "0.20 in of rain"
    assert METRIC.rain(5.0) == "5.0 mm of rain"
    assert METRIC.rain(25.4) == "25 mm of rain"
    assert US.rain(0.0) == METRIC.rain(0.04) == "no rain"


def test_wind_is_miles_or_kilometres_an_hour() -> None:
    # The international mile is 1609.344 m, so 10 mph = 4.4704 m/s.
    assert US.wind(4.4704) == "10 mph"
    assert METRIC.wind(10.0) == "36 km/h"


def test_degree_days_are_differences_without_the_offset_of_32() -> None:
    assert US.degree_days(100.0) == "180 degree-days F"
    assert METRIC.degree_days(100.0) == "100 degree-days C"


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_an_unknown_value_says_so_and_is_never_zero(value: float | None) -> None:
    for q in (US, METRIC):
        assert q.temperature(value) == q.wind(value) == q.degree_days(value) == q.number(value) == "unknown"
        assert q.water(value) == "unknown"
        assert q.rain(value) == "rain unknown"
        assert "unknown" in q.span(value, 20.0)


def test_the_span_of_a_day_names_the_unit_once() -> None:
    assert US.span(20.0, 35.0) == "68 to 95°F"
    assert METRIC.span(-5.0, 3.6) == "-5 to 4°C"


@given(st.floats(-60.0, 60.0))
def test_a_temperature_is_never_off_by_more_than_half_a_degree(temperature_c: float) -> None:
    shown = float(US.temperature(temperature_c).removesuffix("°F"))
    assert abs(shown - (temperature_c * 9 / 5 + 32)) <= 0.5 + 1e-9


def test_times_are_the_sites_own_with_their_zone() -> None:
    assert NEW_YORK.moment("2025-07-16T10:05:00+00:00") == "Wed Jul 16, 6:05 AM EDT"
    assert NEW_YORK.moment("2025-01-16T17:00:00+00:00") == "Thu Jan 16, 12 PM EST"
    assert BERLIN.moment("2025-07-16T22:30:00+00:00") == "Thu 17 Jul, 00:30 CEST"
    assert BERLIN.moment(dt.datetime(2025, 7, 16, 4, tzinfo=dt.UTC)) == "Wed 16 Jul, 06:00 CEST"
    assert NEW_YORK.clock("2025-07-16T04:00:00Z") == "12 AM"


def test_a_zone_without_letters_is_named_by_its_distance() -> None:
    assert Calendar(ZoneInfo("Asia/Dubai"), UnitSystem.METRIC).moment("2025-07-16T08:00Z").endswith("UTC+04")


def test_a_window_over_the_end_of_summer_time_names_both_clocks() -> None:
    # In New York clocks went back on 2 November 2025, 2 AM EDT = 06:00 UTC (IANA time zone database).
    assert (
        NEW_YORK.window("2025-11-02T05:00:00+00:00", "2025-11-02T07:00:00+00:00")
        == "Sun Nov 2, 1 AM EDT to 2 AM EST"
    )


def test_a_window_over_the_start_of_summer_time_names_both_clocks() -> None:
    # In Berlin clocks went forward on 30 March 2025, 01:00 UTC (IANA time zone database).
    assert (
        BERLIN.window("2025-03-30T00:00:00+00:00", "2025-03-30T02:00:00+00:00")
        == "Sun 30 Mar, 01:00 CET to 04:00 CEST"
    )


def test_a_window_within_a_day_names_the_day_once() -> None:
    start, end = "2025-07-16T10:00:00+00:00", "2025-07-16T14:00:00+00:00"
    assert NEW_YORK.window(start, end) == "Wed Jul 16, 6 AM to 10 AM EDT"
    assert NEW_YORK.short_window(start, end) == "Wed Jul 16, 6-10 AM"
    assert BERLIN.short_window(start, end) == "Wed 16 Jul, 12:00-16:00"
    assert NEW_YORK.short_window(start, "2025-07-16T18:00:00Z") == "Wed Jul 16, 6 AM-2 PM"


def test_a_window_over_midnight_names_both_days() -> None:
    start, end = "2025-07-17T02:00:00+00:00", "2025-07-17T06:00:00+00:00"
    assert NEW_YORK.window(start, end) == "Wed Jul 16, 10 PM to Thu Jul 17, 2 AM EDT"
    assert NEW_YORK.short_window(start, end) == "Wed Jul 16, 10 PM on"


@pytest.mark.parametrize(
    ("text", "us", "metric"),
    [
        ("5 mm of rain or more", "0.20 in of rain or more", "5.0 mm of rain or more"),
        ("days of 29.4 degC or more", "days of 85°F or more", "days of 29°C or more"),
        ("wind above 4.5 m/s", "wind above 10 mph", "wind above 16 km/h"),
        ("It rained on 2025-07-21.", "It rained on Mon Jul 21.", "It rained on Mon 21 Jul."),
        ("since 2025-07-15T18:00:00+00:00", "since Tue Jul 15, 2 PM EDT", "since Tue 15 Jul, 20:00 CEST"),
        ("140 degC d behind", "252 degree-days F behind", "140 degree-days C behind"),
        ("7 of 10 days, 40 h above 90 %", "7 of 10 days, 40 h above 90 %", "7 of 10 days, 40 h above 90 %"),
        ("house 2025-99-99 and version 1.2.3 mmx", "house 2025-99-99 and version 1.2.3 mmx",
         "house 2025-99-99 and version 1.2.3 mmx"),
    ],
)  # fmt: skip
def test_sentences_of_the_evidence_reach_the_reader_in_their_units(text: str, us: str, metric: str) -> None:
    assert for_reader(text, US, NEW_YORK) == us
    assert for_reader(text, METRIC, BERLIN) == metric


@given(st.text(max_size=80))
def test_any_text_at_all_can_be_told(text: str) -> None:
    assert isinstance(for_reader(text, US, NEW_YORK), str)
