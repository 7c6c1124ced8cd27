"""Episodes, alerts with their evidence, and what became of them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from alertd.errors import InputError, StoreConflict
from alertd.records.alert import Alert, Episode, MessageState, OutboxMessage
from alertd.records.keeping import HistoryEntry, Lead, MessageSummary
from alertd.records.season import SeasonState
from alertd.records.site import DEFAULT_FIRM, Channel
from alertd.store.desk import in_chunks
from alertd.store.models import (
    AlertRow,
    DeliveryRow,
    EpisodeRow,
    LeadRow,
    OutboxRow,
    SiteRow,
    SubscriberRow,
)
from alertd.store.rows import (
    alert_record,
    alert_values,
    episode_record,
    episode_values,
    message_values,
    name_key,
)
from alertd.store.season import Seasons

_EPISODE_CHANGES = ("level", "changed_at", "closed_at", "alerts", "memory")


class Alerts(Seasons):
    """Keeps decisions: what is committed together is kept together, and a repeat adds nothing."""

    def open_episodes(self, site_ids: Iterable[str]) -> list[Episode]:
        """Return the open episodes of these sites, the oldest of a site first."""
        question = (
            select(EpisodeRow)
            .where(EpisodeRow.closed_at.is_(None))
            .order_by(EpisodeRow.site_id, EpisodeRow.opened_at, EpisodeRow.id)
        )
        found: list[Episode] = []
        with self._read() as session:
            for chunk in in_chunks(site_ids):
                rows = session.scalars(question.where(EpisodeRow.site_id.in_(chunk)))
                found.extend(episode_record(row) for row in rows)
        return found

    def commit_decisions(
        self,
        *,
        episodes: Sequence[Episode] = (),
        alerts: Sequence[Alert] = (),
        messages: Sequence[OutboxMessage] = (),
        seasons: Sequence[SeasonState] = (),
        now: dt.datetime,
        lead: Lead | None = None,
    ) -> int:
        """Keep all of it in one transaction and return how many alerts were new; a repeat is harmless.

        A closed episode stays closed and an episode never goes back to fewer alerts. With ``lead``,
        nothing is kept unless that lead still holds.

        Raises
        ------
        StoreConflict
            If another process decided first: read again and decide anew.
        """
        with self._write() as session:
            if lead is not None:
                _refuse_lost_lead(session, lead, now)
            self._put_episodes(session, episodes)
            new_alerts, stored_ids = self._put_alerts(session, alerts)
            self._put_messages(session, messages, stored_ids, now)
            self._put_seasons(session, seasons)
            return new_alerts

    def alert(self, alert_id: str, firm_id: str | None = DEFAULT_FIRM) -> Alert:
        """Return one alert. Raises InputError if there is none."""
        question = select(AlertRow).where(AlertRow.id == alert_id)
        if firm_id is not None:
            question = question.where(AlertRow.firm_id == firm_id)
        with self._read() as session:
            row = session.scalars(question).first()
            if row is None:
                raise InputError("alert", f"there is no alert {alert_id!r}; `alertd history` lists them")
            return alert_record(row)

    def history(
        self,
        site: str | None = None,
        *,
        since: dt.datetime | None = None,
        until: dt.datetime | None = None,
        kinds: Iterable[str] = (),
        limit: int | None = 100,
        firm_id: str | None = DEFAULT_FIRM,
    ) -> list[HistoryEntry]:
        """Return past alerts, newest first, those made in ``[since, until)``; ``site`` is an id or a name.

        Removed sites keep their history. Raises InputError if no site is or was called so.
        """
        question = select(AlertRow, SiteRow.name).join(SiteRow, SiteRow.id == AlertRow.site_id)
        if firm_id is not None:
            question = question.where(AlertRow.firm_id == firm_id)
        if since is not None:
            question = question.where(AlertRow.made_at >= since)
        if until is not None:
            question = question.where(AlertRow.made_at < until)
        wanted = [str(kind) for kind in kinds]
        if wanted:
            question = question.where(AlertRow.kind.in_(wanted))
        question = question.order_by(AlertRow.made_at.desc(), AlertRow.sequence.desc(), AlertRow.id.desc())
        with self._read() as session:
            if site is not None:
                question = question.where(AlertRow.site_id.in_(_site_ids(session, site, firm_id)))
            return _entries(session, question.limit(limit))

    def _put_episodes(self, session: Session, episodes: Sequence[Episode]) -> None:
        if not episodes:
            return
        insert = self._insert(EpisodeRow)
        statement = insert.on_conflict_do_update(
            index_elements=[EpisodeRow.id],
            set_={name: insert.excluded[name] for name in _EPISODE_CHANGES},
            where=EpisodeRow.closed_at.is_(None) & (EpisodeRow.alerts <= insert.excluded.alerts),
        )
        # Closing comes before opening, so that one commit may end an episode and begin the next.
        session.execute(statement, sorted(map(episode_values, episodes), key=_is_open))

    def _put_alerts(self, session: Session, alerts: Sequence[Alert]) -> tuple[int, dict[str, str]]:
        """Return how many were new, and the stored id of each one that was there under another id."""
        if not alerts:
            return 0, {}
        insert = self._insert(AlertRow).on_conflict_do_nothing().returning(AlertRow.id)
        new = set(session.scalars(insert, [alert_values(alert) for alert in alerts]))
        repeated = {(alert.episode_id, alert.sequence): alert.id for alert in alerts if alert.id not in new}
        stored_ids: dict[str, str] = {}
        for chunk in in_chunks(episode_id for episode_id, _ in repeated):
            question = select(AlertRow.id, AlertRow.episode_id, AlertRow.sequence)
            for stored, episode_id, sequence in session.execute(
                question.where(AlertRow.episode_id.in_(chunk))
            ):
                given = repeated.get((episode_id, sequence))
                if given is not None:
                    stored_ids[given] = stored
        return len(new), stored_ids

    def _put_messages(
        self,
        session: Session,
        messages: Sequence[OutboxMessage],
        stored_ids: Mapping[str, str],
        now: dt.datetime,
    ) -> None:
        if not messages:
            return
        rows = []
        for message in messages:
            alert_id = stored_ids.get(message.alert_id, message.alert_id)
            kept = replace(message, id=message.id or self.new_id(), alert_id=alert_id)
            rows.append({**message_values(kept), "queued_at": now})
        session.execute(self._insert(OutboxRow).on_conflict_do_nothing(), rows)


def _is_open(values: Mapping[str, Any]) -> bool:
    return bool(values["closed_at"] is None)


def _refuse_lost_lead(session: Session, lead: Lead, now: dt.datetime) -> None:
    row = session.get(LeadRow, lead.name, with_for_update=True)
    held = row is not None and (row.owner, row.generation) == (lead.owner, lead.generation)
    if row is None or not held or row.lease_until <= now:
        raise StoreConflict(f"another process leads {lead.name!r} now; nothing was written")


def _site_ids(session: Session, site: str, firm_id: str | None) -> list[str]:
    question = select(SiteRow.id).where(or_(SiteRow.id == site, SiteRow.name_key == name_key(site)))
    if firm_id is not None:
        question = question.where(SiteRow.firm_id == firm_id)
    ids = list(session.scalars(question))
    if not ids:
        raise InputError("site", f"there is and was no site {site!r}; list the sites to find it")
    return ids


def _entries(session: Session, question: Any) -> list[HistoryEntry]:
    found = [(alert_record(row), name) for row, name in session.execute(question)]
    summaries: dict[str, list[MessageSummary]] = {alert.id: [] for alert, _ in found}
    for chunk in in_chunks(summaries):
        last = (
            select(DeliveryRow.message_id, func.max(DeliveryRow.id).label("last_id"))
            .join(OutboxRow, OutboxRow.id == DeliveryRow.message_id)
            .where(OutboxRow.alert_id.in_(chunk))
            .group_by(DeliveryRow.message_id)
            .subquery()
        )
        rows = session.execute(
            select(OutboxRow, SubscriberRow.name, DeliveryRow)
            .join(SubscriberRow, SubscriberRow.id == OutboxRow.subscriber_id)
            .outerjoin(last, last.c.message_id == OutboxRow.id)
            .outerjoin(DeliveryRow, DeliveryRow.id == last.c.last_id)
            .where(OutboxRow.alert_id.in_(chunk))
            .order_by(SubscriberRow.name_key, OutboxRow.id)
        )
        for message, subscriber, delivery in rows:
            summaries[message.alert_id].append(_summary(message, subscriber, delivery))
    return [HistoryEntry(alert, name, tuple(summaries[alert.id])) for alert, name in found]


def _summary(message: OutboxRow, subscriber: str, delivery: DeliveryRow | None) -> MessageSummary:
    return MessageSummary(
        message_id=message.id,
        subscriber=subscriber,
        channel=Channel(message.channel),
        state=MessageState(message.state),
        attempts=message.attempts,
        # Tries are forgotten after some years; when the message was settled is not.
        at=message.settled_at if delivery is None else delivery.at,
        detail=message.last_error or ("" if delivery is None else delivery.detail),
    )
