"""Alerts and plantings in one line each, in the words that the messages use."""

from __future__ import annotations

from alertd.catalog.plants import load_plants
from alertd.records.alert import Alert
from alertd.records.site import Channel, Planting, Site, Subscriber, UnitSystem


def headline_of(alert: Alert, units: UnitSystem) -> str:
    """Return the sentence that the alert's message begins with."""
    from alertd.delivery.message import StopNotice
    from alertd.delivery.render import headline  # brings the chart library along

    place = alert.evidence["place"]
    site = Site(
        id=alert.site_id,
        name=place["name"],
        latitude_deg=place["latitude_deg"],
        longitude_deg=place["longitude_deg"],
        zone=place["zone"],
    )
    reader = Subscriber(id="", name="reader", channel=Channel.EMAIL, address="", units=units)
    return headline(alert, site, reader, StopNotice(""))


def planting_words(planting: Planting) -> str:
    """Return a planting such as ``north hedge (12 arborvitae)``."""
    known = load_plants().get(planting.host)
    name = planting.host if known is None else known.name.lower()
    count = f"{planting.count} " if planting.count > 1 else ""
    return f"{planting.label} ({count}{name})" if planting.label else f"{count}{name}"
