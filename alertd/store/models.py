"""The tables. Models never leave this room; ``rows.py`` turns them into records and back."""

from __future__ import annotations

import datetime as dt
from typing import Any, ClassVar

from sqlalchemy import JSON, Double, ForeignKey, Index, LargeBinary, MetaData, String, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from alertd.store.columns import UtcDateTime

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
CASCADE = "all, delete-orphan"


class Model(DeclarativeBase):
    """Base of every table."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        dt.datetime: UtcDateTime(),
        str: Text(),
        bytes: LargeBinary(),
        float: Double(),
        dict[str, Any]: JSON(none_as_null=True),
        list[str]: JSON(none_as_null=True),
    }


def _key(**options: Any) -> Mapped[Any]:
    return mapped_column(String(64), primary_key=True, **options)


class FirmRow(Model):
    """A landscaping firm; everything belongs to one."""

    __tablename__ = "firms"
    id: Mapped[str] = _key()
    name: Mapped[str]


class SiteRow(Model):
    """A property. A removed one keeps its row for the sake of history and frees its name."""

    __tablename__ = "sites"
    id: Mapped[str] = _key()
    firm_id: Mapped[str] = mapped_column(ForeignKey("firms.id"))
    name: Mapped[str]
    name_key: Mapped[str]
    latitude_deg: Mapped[float]
    longitude_deg: Mapped[float]
    elevation_m: Mapped[float | None]
    zone: Mapped[str]
    climate: Mapped[str]
    materials: Mapped[list[str]]
    method: Mapped[str]
    profile: Mapped[str]
    limits: Mapped[dict[str, Any]]
    biofix: Mapped[dt.date | None]
    active: Mapped[bool]
    added_at: Mapped[dt.datetime]
    changed_at: Mapped[dt.datetime]
    removed_at: Mapped[dt.datetime | None]
    plantings: Mapped[list[PlantingRow]] = relationship(
        cascade=CASCADE, lazy="selectin", order_by="PlantingRow.position"
    )


Index(
    "uq_sites_firm_id_name_key",
    SiteRow.firm_id,
    SiteRow.name_key,
    unique=True,
    sqlite_where=SiteRow.removed_at.is_(None),
    postgresql_where=SiteRow.removed_at.is_(None),
)


class PlantingRow(Model):
    """Plants of one kind on one site."""

    __tablename__ = "plantings"
    id: Mapped[str] = _key()
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id", ondelete="CASCADE"), index=True)
    position: Mapped[int]
    host: Mapped[str]
    label: Mapped[str]
    count: Mapped[int]
    planted_on: Mapped[dt.date | None]
    soil: Mapped[str]
    root_depth_m: Mapped[float | None]
    irrigation: Mapped[str]
    irrigation_mm_per_week: Mapped[float | None]
    exposure: Mapped[str]


class SubscriberRow(Model):
    """Somebody or something that is told."""

    __tablename__ = "subscribers"
    id: Mapped[str] = _key()
    firm_id: Mapped[str] = mapped_column(ForeignKey("firms.id"))
    name: Mapped[str]
    name_key: Mapped[str]
    channel: Mapped[str]
    address: Mapped[str]
    secret: Mapped[str]
    old_secret: Mapped[str]
    old_secret_until: Mapped[dt.datetime | None]
    units: Mapped[str]
    wake_hour: Mapped[int]
    rest_hour: Mapped[int]
    active: Mapped[bool]
    standing: Mapped[str] = mapped_column(String(20))
    standing_at: Mapped[dt.datetime | None]
    added_at: Mapped[dt.datetime]
    changed_at: Mapped[dt.datetime]
    removed_at: Mapped[dt.datetime | None]


Index(
    "uq_subscribers_firm_id_name_key",
    SubscriberRow.firm_id,
    SubscriberRow.name_key,
    unique=True,
    sqlite_where=SubscriberRow.removed_at.is_(None),
    postgresql_where=SubscriberRow.removed_at.is_(None),
)


class SubscriptionRow(Model):
    """Who hears about which site."""

    __tablename__ = "subscriptions"
    subscriber_id: Mapped[str] = mapped_column(
        ForeignKey("subscribers.id", ondelete="CASCADE"), primary_key=True
    )
    site_id: Mapped[str] = mapped_column(
        ForeignKey("sites.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    kinds: Mapped[list[str]]
    snoozed_until: Mapped[dt.datetime | None]


class PreferencesRow(Model):
    """How a subscriber wants to be told; none stored means everything, at once."""

    __tablename__ = "preferences"
    subscriber_id: Mapped[str] = mapped_column(
        ForeignKey("subscribers.id", ondelete="CASCADE"), primary_key=True
    )
    zone: Mapped[str]
    kinds: Mapped[list[str]]
    least_level: Mapped[int]
    digest_hour: Mapped[int | None]
    weekly_day: Mapped[int]
    weekly_hour: Mapped[int | None]
    evening_hour: Mapped[int | None]
    evening_quiet: Mapped[bool]
    hand_over_to: Mapped[str | None] = mapped_column(ForeignKey("subscribers.id"))
    hand_over_after_h: Mapped[int]
    one_a_day: Mapped[bool]
    changed_at: Mapped[dt.datetime]


class SitePreferencesRow(Model):
    """What differs at one site."""

    __tablename__ = "site_preferences"
    subscriber_id: Mapped[str] = mapped_column(
        ForeignKey("subscribers.id", ondelete="CASCADE"), primary_key=True
    )
    site_id: Mapped[str] = mapped_column(
        ForeignKey("sites.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    least_level: Mapped[int | None]
    digest_hour: Mapped[int | None]
    at_once: Mapped[bool]


class BriefRow(Model):
    """A digest or brief, planned with the rule that made it due. ``ready_at`` as in the outbox."""

    __tablename__ = "briefs"
    id: Mapped[str] = _key()
    subscriber_id: Mapped[str] = mapped_column(ForeignKey("subscribers.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    local_day: Mapped[dt.date]
    zone: Mapped[str]
    hour: Mapped[int]
    weekday: Mapped[int | None]
    due_at: Mapped[dt.datetime]
    expires_at: Mapped[dt.datetime | None]
    state: Mapped[str] = mapped_column(String(20))
    ready_at: Mapped[dt.datetime | None]
    settled_at: Mapped[dt.datetime | None]
    attempts: Mapped[int]
    generation: Mapped[int]
    last_error: Mapped[str]


_PLANNED = BriefRow.ready_at.is_not(None)
Index("ix_briefs_ready", BriefRow.ready_at, sqlite_where=_PLANNED, postgresql_where=_PLANNED)


class AcknowledgementRow(Model):
    """A subscriber has seen an episode."""

    __tablename__ = "acknowledgements"
    subscriber_id: Mapped[str] = mapped_column(
        ForeignKey("subscribers.id", ondelete="CASCADE"), primary_key=True
    )
    episode_id: Mapped[str] = mapped_column(
        ForeignKey("episodes.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    at: Mapped[dt.datetime]


class NoticeRow(Model):
    """A mail about a subscription itself. ``ready_at`` as in the outbox; rationed by ``address_key``."""

    __tablename__ = "notices"
    __table_args__ = (Index("ix_notices_address_key_queued_at", "address_key", "queued_at"),)
    id: Mapped[str] = _key()
    subscriber_id: Mapped[str] = mapped_column(ForeignKey("subscribers.id"), index=True)
    address: Mapped[str]
    address_key: Mapped[str]
    state: Mapped[str] = mapped_column(String(20))
    queued_at: Mapped[dt.datetime]
    expires_at: Mapped[dt.datetime]
    ready_at: Mapped[dt.datetime | None]
    tried_at: Mapped[dt.datetime | None] = mapped_column(index=True)
    settled_at: Mapped[dt.datetime | None]
    attempts: Mapped[int]
    generation: Mapped[int]
    last_error: Mapped[str]


_WAITING = NoticeRow.ready_at.is_not(None)
Index("ix_notices_ready", NoticeRow.ready_at, sqlite_where=_WAITING, postgresql_where=_WAITING)


class BounceRow(Model):
    """One recipient's line of one delivery report; the same report again adds nothing."""

    __tablename__ = "bounces"
    __table_args__ = (
        UniqueConstraint("ref", "action", "status"),
        Index("ix_bounces_subscriber_id_at", "subscriber_id", "at"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    subscriber_id: Mapped[str] = mapped_column(ForeignKey("subscribers.id"))
    ref: Mapped[str] = mapped_column(String(80))
    kind: Mapped[str] = mapped_column(String(20))
    action: Mapped[str] = mapped_column(String(20))
    status: Mapped[str] = mapped_column(String(20))
    at: Mapped[dt.datetime]
    detail: Mapped[str]


class KeyRow(Model):
    """A secret that this installation made for itself, once."""

    __tablename__ = "keys"
    name: Mapped[str] = _key()
    value: Mapped[str]
    made_at: Mapped[dt.datetime]


class WeatherRow(Model):
    """One hourly table as one provider issued it, packed."""

    __tablename__ = "weather"
    __table_args__ = (
        UniqueConstraint("cell_key", "provider", "fetched_at"),
        Index("ix_weather_cell_key_fetched_at", "cell_key", "fetched_at"),
        Index("ix_weather_fetched_at", "fetched_at"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    cell_key: Mapped[str] = mapped_column(String(64))
    latitude_deg: Mapped[float]
    longitude_deg: Mapped[float]
    elevation_m: Mapped[float | None]
    provider: Mapped[str]
    issued_at: Mapped[dt.datetime]
    fetched_at: Mapped[dt.datetime]
    start_at: Mapped[dt.datetime]
    end_at: Mapped[dt.datetime]
    hours: Mapped[int]
    packed: Mapped[bytes]
    attribution: Mapped[str]
    dropped: Mapped[dict[str, Any]]


class CachedResponseRow(Model):
    """A provider's answer, for conditional requests."""

    __tablename__ = "http_cache"
    key: Mapped[str] = mapped_column(primary_key=True)
    url: Mapped[str]
    body: Mapped[bytes]
    status: Mapped[int]
    headers: Mapped[dict[str, Any]]
    fetched_at: Mapped[dt.datetime] = mapped_column(index=True)
    expires_at: Mapped[dt.datetime]


class SeasonRow(Model):
    """The season of one site up to the end of one local day, packed."""

    __tablename__ = "season_state"
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id", ondelete="CASCADE"), primary_key=True)
    day: Mapped[dt.date] = mapped_column(primary_key=True)
    made_at: Mapped[dt.datetime]
    packed: Mapped[bytes]


class ForecastErrorsRow(Model):
    """How far the forecasts of one weather cell strayed, or how far an ensemble parts, at one moment."""

    __tablename__ = "forecast_errors"
    cell_key: Mapped[str] = mapped_column(String(64), primary_key=True)
    zone: Mapped[str] = mapped_column(String(64), primary_key=True)
    learnt_at: Mapped[dt.datetime] = mapped_column(primary_key=True)
    model: Mapped[str] = mapped_column(String(64), primary_key=True, default="", server_default="")
    days: Mapped[int]
    spreads: Mapped[dict[str, Any]]


class ChanceCorrectionRow(Model):
    """How the chances told of one site are to be corrected, as known at one moment."""

    __tablename__ = "chance_corrections"
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id", ondelete="CASCADE"), primary_key=True)
    learnt_at: Mapped[dt.datetime] = mapped_column(primary_key=True)
    window_pairs: Mapped[int]
    window_intercept: Mapped[float | None]
    window_slope: Mapped[float | None]
    spell_pairs: Mapped[int]
    spell_intercept: Mapped[float | None]
    spell_slope: Mapped[float | None]


class EpisodeRow(Model):
    """One stretch of one condition; at most one open per (site, kind, subject)."""

    __tablename__ = "episodes"
    id: Mapped[str] = _key()
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), index=True)
    kind: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str]
    level: Mapped[int]
    opened_at: Mapped[dt.datetime]
    changed_at: Mapped[dt.datetime]
    closed_at: Mapped[dt.datetime | None]
    alerts: Mapped[int]
    memory: Mapped[dict[str, Any]]


Index(
    "uq_episodes_open",
    EpisodeRow.site_id,
    EpisodeRow.kind,
    EpisodeRow.subject,
    unique=True,
    sqlite_where=EpisodeRow.closed_at.is_(None),
    postgresql_where=EpisodeRow.closed_at.is_(None),
)


class AlertRow(Model):
    """One alert with the evidence it was decided on; never changed."""

    __tablename__ = "alerts"
    __table_args__ = (
        UniqueConstraint("episode_id", "sequence"),
        Index("ix_alerts_firm_id_made_at", "firm_id", "made_at"),
        Index("ix_alerts_site_id_made_at", "site_id", "made_at"),
    )
    id: Mapped[str] = _key()
    firm_id: Mapped[str] = mapped_column(ForeignKey("firms.id"))
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"))
    episode_id: Mapped[str] = mapped_column(ForeignKey("episodes.id"))
    sequence: Mapped[int]
    kind: Mapped[str] = mapped_column(String(40))
    subject: Mapped[str]
    level: Mapped[int]
    change: Mapped[str]
    made_at: Mapped[dt.datetime]
    expires_at: Mapped[dt.datetime | None]
    evidence: Mapped[dict[str, Any]]


class OutboxRow(Model):
    """One alert on its way to one subscriber.

    ``ready_at`` is when a worker may take it: ``due_at`` while pending, ``lease_until`` while leased,
    nothing once settled, nor while it waits for a digest. Narrow indexes over it find the work however
    much has piled up, there or in another channel.
    """

    __tablename__ = "outbox"
    __table_args__ = (UniqueConstraint("alert_id", "subscriber_id", "channel"),)
    id: Mapped[str] = _key()
    alert_id: Mapped[str] = mapped_column(ForeignKey("alerts.id"))
    subscriber_id: Mapped[str] = mapped_column(ForeignKey("subscribers.id"), index=True)
    channel: Mapped[str] = mapped_column(String(20))
    state: Mapped[str] = mapped_column(String(20))
    queued_at: Mapped[dt.datetime]
    due_at: Mapped[dt.datetime]
    expires_at: Mapped[dt.datetime | None]
    ready_at: Mapped[dt.datetime | None]
    settled_at: Mapped[dt.datetime | None]
    attempts: Mapped[int]
    crashes: Mapped[int]
    generation: Mapped[int]
    lease_owner: Mapped[str | None]
    lease_until: Mapped[dt.datetime | None]
    last_error: Mapped[str]
    handed_over_from: Mapped[str | None]
    digest_id: Mapped[str | None] = mapped_column(String(64))


_UNSETTLED = OutboxRow.ready_at.is_not(None)
Index(
    "ix_outbox_ready", OutboxRow.ready_at, OutboxRow.id, sqlite_where=_UNSETTLED, postgresql_where=_UNSETTLED
)
Index(
    "ix_outbox_channel_ready", OutboxRow.channel, OutboxRow.ready_at, OutboxRow.id,
    sqlite_where=_UNSETTLED, postgresql_where=_UNSETTLED,
)  # fmt: skip
Index("ix_outbox_expires", OutboxRow.expires_at, sqlite_where=_UNSETTLED, postgresql_where=_UNSETTLED)
_FOR_DIGEST = (OutboxRow.state == "pending") & OutboxRow.ready_at.is_(None)
Index("ix_outbox_for_digest", OutboxRow.due_at, sqlite_where=_FOR_DIGEST, postgresql_where=_FOR_DIGEST)


class DeliveryRow(Model):
    """One attempt to hand a message over."""

    __tablename__ = "deliveries"
    id: Mapped[int] = mapped_column(primary_key=True)
    message_id: Mapped[str] = mapped_column(ForeignKey("outbox.id"), index=True)
    attempt: Mapped[int]
    at: Mapped[dt.datetime]
    outcome: Mapped[str]
    detail: Mapped[str]


class TickRow(Model):
    """A recurring piece of work."""

    __tablename__ = "ticks"
    name: Mapped[str] = _key()
    due_at: Mapped[dt.datetime]
    last_started_at: Mapped[dt.datetime | None]
    last_finished_at: Mapped[dt.datetime | None]
    last_ok_at: Mapped[dt.datetime | None]
    last_error: Mapped[str]


class HeartbeatRow(Model):
    """The last sign of life of one loop."""

    __tablename__ = "heartbeats"
    name: Mapped[str] = _key()
    at: Mapped[dt.datetime]


class LeadRow(Model):
    """Which process may do one kind of work."""

    __tablename__ = "leads"
    name: Mapped[str] = _key()
    owner: Mapped[str]
    generation: Mapped[int]
    lease_until: Mapped[dt.datetime]
