from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.errors import InputError
from alertd.records.site import Site
from alertd.service.places import checked_place, degrees_between, known_zone, nearest, zone_city

# City coordinates as in zone.tab of the IANA time zone database, which the tzdata package carries.
CITIES = {
    "America/New_York": (40.714, -74.006),
    "Europe/Berlin": (52.5, 13.367),
    "Australia/Sydney": (-33.867, 151.217),
    "America/Argentina/Buenos_Aires": (-34.6, -58.45),
}


def place(latitude_deg: float, longitude_deg: float, zone: str) -> Site:
    return Site(id="", name="x", latitude_deg=latitude_deg, longitude_deg=longitude_deg, zone=zone)


@pytest.mark.parametrize("zone", CITIES)
def test_the_table_of_the_time_zones_is_read(zone: str) -> None:
    assert zone_city(zone) == pytest.approx(CITIES[zone], abs=0.01)


def test_a_former_name_leads_to_the_city_of_the_zone_it_stands_for() -> None:
    assert zone_city("US/Eastern") == zone_city("America/New_York")


def test_a_zone_without_a_city_refuses_no_place() -> None:
    assert zone_city("UTC") is None
    assert checked_place(place(-40.0, 170.0, "UTC")).latitude_deg == -40.0


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "zone"),
    [
        (25.76, -80.19, "America/New_York"),  # Miami
        (46.8, -92.1, "America/Chicago"),  # Duluth
        (39.47, 75.99, "Asia/Shanghai"),  # Kashgar, as far west as that zone goes
        (-17.96, 122.2, "Australia/Perth"),  # Broome
        (71.29, -156.79, "America/Anchorage"),  # Utqiagvik
        (1.87, -157.4, "Pacific/Kiritimati"),
        (54.7, 20.5, "Europe/Kaliningrad"),
        (20.0, 20.0, "Europe/Rome"),
    ],
)
def test_places_at_the_rim_of_their_zone_are_kept(
    latitude_deg: float, longitude_deg: float, zone: str
) -> None:
    assert checked_place(place(latitude_deg, longitude_deg, zone)).zone == zone


@pytest.mark.parametrize("zone", ["America/New_York", "Europe/Berlin", "America/Argentina/Buenos_Aires"])
def test_swapped_coordinates_within_range_are_seen_by_the_zone(zone: str) -> None:
    latitude_deg, longitude_deg = CITIES[zone]
    with pytest.raises(InputError, match="look swapped") as refused:
        checked_place(place(longitude_deg, latitude_deg, zone))
    assert f"give latitude {latitude_deg:g} and longitude {longitude_deg:g}" in str(refused.value)


def test_a_forgotten_minus_is_seen_by_the_zone() -> None:
    with pytest.raises(InputError, match="west and south are negative"):
        checked_place(place(40.7, 74.0, "America/New_York"))


@given(
    st.sampled_from(sorted(CITIES)),
    st.floats(-20.0, 20.0, allow_nan=False),
    st.floats(-20.0, 20.0, allow_nan=False),
)
def test_nothing_near_the_city_of_its_zone_is_refused(zone: str, north: float, east: float) -> None:
    latitude_deg, longitude_deg = CITIES[zone][0] + north, CITIES[zone][1] + east
    site = place(latitude_deg, (longitude_deg + 180.0) % 360.0 - 180.0, zone)
    if degrees_between((site.latitude_deg, site.longitude_deg), CITIES[zone]) < 24.9:
        assert checked_place(site) is site


def test_distance_on_the_sphere() -> None:
    # A quarter of the way round: pole to equator; antipodes lie 180 degrees apart (definition).
    assert degrees_between((90.0, 0.0), (0.0, 57.0)) == pytest.approx(90.0)
    assert degrees_between((10.0, 20.0), (-10.0, -160.0)) == pytest.approx(180.0)
    assert degrees_between((10.0, 20.0), (10.0, 20.0)) == 0.0


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("America/NewYork", "America/New_York"),
        ("america/new_york", "America/New_York"),
        ("New York", "America/New_York"),
        ("Europe/Berln", "Europe/Berlin"),
        ("Denver", "America/Denver"),
    ],
)
def test_a_mistyped_zone_gets_the_one_that_was_meant(typed: str, meant: str) -> None:
    with pytest.raises(InputError, match=f"did you mean .*{meant}"):
        known_zone(typed)


def test_a_zone_that_resembles_none_gets_the_form() -> None:
    with pytest.raises(InputError, match="write it like America/New_York"):
        known_zone("qqqq")


def test_a_known_zone_is_kept_as_it_is() -> None:
    assert known_zone(" Europe/Berlin ") == "Europe/Berlin"


def test_nothing_near_is_nothing() -> None:
    assert nearest("zzzz", ["spruce", "rose"]) == ""
