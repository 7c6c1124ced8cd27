"""Rows into records and records into column values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

from alertd.records.alert import Alert, AlertKind, Change, Episode, MessageState, OutboxMessage
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence
from alertd.records.site import (
    Channel,
    Climate,
    Exposure,
    Irrigation,
    Method,
    Planting,
    Profile,
    Site,
    Soil,
    Standing,
    Subscriber,
    UnitSystem,
)
from alertd.store.models import AlertRow, EpisodeRow, OutboxRow, PlantingRow, SiteRow, SubscriberRow

Values = dict[str, Any]


def name_key(name: str) -> str:
    """Return what makes two names the same: case and spacing do not count."""
    return " ".join(name.split()).casefold()


def planting_record(row: PlantingRow) -> Planting:
    """Return the planting."""
    return Planting(
        id=row.id,
        host=row.host,
        label=row.label,
        count=row.count,
        planted_on=row.planted_on,
        soil=Soil(row.soil),
        root_depth_m=row.root_depth_m,
        irrigation=Irrigation(row.irrigation),
        irrigation_mm_per_week=row.irrigation_mm_per_week,
        exposure=Exposure(row.exposure),
    )


def planting_values(planting: Planting, position: int) -> Values:
    """Return the columns of a planting."""
    return {
        "position": position,
        "host": planting.host,
        "label": planting.label,
        "count": planting.count,
        "planted_on": planting.planted_on,
        "soil": planting.soil.value,
        "root_depth_m": planting.root_depth_m,
        "irrigation": planting.irrigation.value,
        "irrigation_mm_per_week": planting.irrigation_mm_per_week,
        "exposure": planting.exposure.value,
    }


def site_record(row: SiteRow) -> Site:
    """Return the site with its plantings."""
    return Site(
        id=row.id,
        name=row.name,
        latitude_deg=row.latitude_deg,
        longitude_deg=row.longitude_deg,
        zone=row.zone,
        elevation_m=row.elevation_m,
        firm_id=row.firm_id,
        climate=Climate(row.climate),
        plantings=tuple(planting_record(planting) for planting in row.plantings),
        materials=tuple(row.materials),
        method=Method(row.method),
        profile=Profile(row.profile),
        limits={name: _limit(kept)[0] for name, kept in row.limits.items()},
        limit_reasons={name: why for name, kept in row.limits.items() if (why := _limit(kept)[1])},
        biofix=row.biofix,
        active=row.active,
    )


def _limit(kept: float | Mapping[str, Any]) -> tuple[float, str]:
    """Return a limit with its reason; one without a reason is kept as the bare number."""
    return (kept["value"], kept["reason"]) if isinstance(kept, Mapping) else (kept, "")


def site_values(site: Site) -> Values:
    """Return the columns of a site, without id, firm and times."""
    return {
        "name": site.name,
        "name_key": name_key(site.name),
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "elevation_m": site.elevation_m,
        "zone": site.zone,
        "climate": site.climate.value,
        "materials": list(site.materials),
        "method": site.method.value,
        "profile": site.profile.value,
        "limits": {
            name: {"value": value, "reason": why} if (why := site.limit_reasons.get(name)) else value
            for name, value in site.limits.items()
        },
        "biofix": site.biofix,
        "active": site.active,
    }


def subscriber_record(row: SubscriberRow) -> Subscriber:
    """Return the subscriber."""
    return Subscriber(
        id=row.id,
        name=row.name,
        channel=Channel(row.channel),
        address=row.address,
        firm_id=row.firm_id,
        secret=row.secret,
        units=UnitSystem(row.units),
        wake_hour=row.wake_hour,
        rest_hour=row.rest_hour,
        active=row.active,
        standing=Standing(row.standing),
        standing_at=row.standing_at,
        old_secret=row.old_secret,
        old_secret_until=row.old_secret_until,
    )


def subscriber_values(subscriber: Subscriber) -> Values:
    """Return the columns of a subscriber, without id, firm, standing, times and the old secret."""
    return {
        "name": subscriber.name,
        "name_key": name_key(subscriber.name),
        "channel": subscriber.channel.value,
        "address": subscriber.address,
        "secret": subscriber.secret,
        "units": subscriber.units.value,
        "wake_hour": subscriber.wake_hour,
        "rest_hour": subscriber.rest_hour,
        "active": subscriber.active,
    }


def episode_record(row: EpisodeRow) -> Episode:
    """Return the episode."""
    return Episode(
        id=row.id,
        site_id=row.site_id,
        kind=AlertKind(row.kind),
        subject=row.subject,
        level=Level(row.level),
        opened_at=row.opened_at,
        changed_at=row.changed_at,
        alerts=row.alerts,
        closed_at=row.closed_at,
        memory=dict(row.memory),
    )


def episode_values(episode: Episode) -> Values:
    """Return the columns of an episode."""
    return {
        "id": episode.id,
        "site_id": episode.site_id,
        "kind": episode.kind.value,
        "subject": episode.subject,
        "level": int(episode.level),
        "opened_at": episode.opened_at,
        "changed_at": episode.changed_at,
        "alerts": episode.alerts,
        "closed_at": episode.closed_at,
        "memory": dict(episode.memory),
    }


def alert_record(row: AlertRow) -> Alert:
    """Return the alert with its evidence."""
    return Alert(
        id=row.id,
        firm_id=row.firm_id,
        site_id=row.site_id,
        episode_id=row.episode_id,
        sequence=row.sequence,
        kind=AlertKind(row.kind),
        subject=row.subject,
        level=Level(row.level),
        change=Change(row.change),
        made_at=row.made_at,
        evidence=cast("AlertEvidence", row.evidence),
        expires_at=row.expires_at,
    )


def alert_values(alert: Alert) -> Values:
    """Return the columns of an alert."""
    return {
        "id": alert.id,
        "firm_id": alert.firm_id,
        "site_id": alert.site_id,
        "episode_id": alert.episode_id,
        "sequence": alert.sequence,
        "kind": alert.kind.value,
        "subject": alert.subject,
        "level": int(alert.level),
        "change": alert.change.value,
        "made_at": alert.made_at,
        "expires_at": alert.expires_at,
        "evidence": dict(alert.evidence),
    }


def message_fields(row: OutboxRow) -> Values:
    """Return the fields of a message by name."""
    return {
        "id": row.id,
        "alert_id": row.alert_id,
        "subscriber_id": row.subscriber_id,
        "channel": Channel(row.channel),
        "due_at": row.due_at,
        "state": MessageState(row.state),
        "attempts": row.attempts,
        "expires_at": row.expires_at,
        "last_error": row.last_error,
        "handed_over_from": row.handed_over_from or "",
    }


def message_record(row: OutboxRow) -> OutboxMessage:
    """Return the message."""
    return OutboxMessage(**message_fields(row))


def message_values(message: OutboxMessage) -> Values:
    """Return the columns of a new message."""
    pending = message.state is MessageState.PENDING and not message.digest
    return {
        "id": message.id,
        "alert_id": message.alert_id,
        "subscriber_id": message.subscriber_id,
        "channel": message.channel.value,
        "state": message.state.value,
        "due_at": message.due_at,
        "expires_at": message.expires_at,
        "ready_at": message.due_at if pending else None,
        "settled_at": None,
        "attempts": message.attempts,
        "crashes": 0,
        "generation": 0,
        "lease_owner": None,
        "lease_until": None,
        "last_error": message.last_error,
        "handed_over_from": message.handed_over_from or None,
    }
