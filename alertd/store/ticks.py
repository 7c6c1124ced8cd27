"""Due times, signs of life and leadership: what the daemon knows about itself."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from sqlalchemy import select, update

from alertd.records.keeping import Lead, Tick
from alertd.store.columns import kept_text
from alertd.store.desk import Desk
from alertd.store.models import HeartbeatRow, LeadRow, TickRow
from alertd.store.rows import Values


class Ticks(Desk):
    """Keeps when recurring work is due, so that a restart misses and doubles nothing."""

    def plan_tick(self, name: str, due_at: dt.datetime) -> Tick:
        """Return what is known of a tick; one not heard of before becomes due at ``due_at``."""
        with self._read() as session:
            found = session.get(TickRow, name)
            if found is not None:
                return _tick(found)
        insert = self._insert(TickRow).on_conflict_do_nothing()
        with self._write() as session:
            session.execute(insert.values(name=name, due_at=due_at, last_error=""))
            return _tick(session.get_one(TickRow, name))

    def ticks(self) -> list[Tick]:
        """Return every tick, the one due first first."""
        with self._read() as session:
            return [
                _tick(row) for row in session.scalars(select(TickRow).order_by(TickRow.due_at, TickRow.name))
            ]

    def tick_started(self, name: str, at: dt.datetime) -> None:
        """Record that a run began; a tick not heard of before becomes known."""
        self._note(name, at, {"last_started_at": at})

    def tick_finished(
        self, name: str, at: dt.datetime, error: str | None = None, due_at: dt.datetime | None = None
    ) -> None:
        """Record that a run ended and how, and when the tick is due again; no error means it went well."""
        values: Values = {"last_finished_at": at, "last_error": kept_text(error or "")}
        if not error:
            values["last_ok_at"] = at
        if due_at is not None:
            values["due_at"] = due_at
        self._note(name, at, values)

    def heartbeat(self, name: str, at: dt.datetime) -> None:
        """Leave a sign of life."""
        insert = self._insert(HeartbeatRow).values(name=name, at=at)
        with self._write() as session:
            session.execute(insert.on_conflict_do_update(index_elements=[HeartbeatRow.name], set_={"at": at}))

    def _note(self, name: str, at: dt.datetime, values: Values) -> None:
        insert = self._insert(TickRow).values({"name": name, "due_at": at, "last_error": "", **values})
        with self._write() as session:
            session.execute(insert.on_conflict_do_update(index_elements=[TickRow.name], set_=values))

    def heartbeats(self) -> Mapping[str, dt.datetime]:
        """Return the last sign of life of every loop."""
        with self._read() as session:
            return {row.name: row.at for row in session.scalars(select(HeartbeatRow))}

    def take_lead(self, name: str, owner: str, *, now: dt.datetime, lease_s: float) -> Lead | None:
        """Take or prolong the lead until ``now + lease_s``; None while another process holds it.

        The generation rises with every new holder, and when a holder let its own lead run out.
        """
        until = now + dt.timedelta(seconds=lease_s)
        insert = self._insert(LeadRow)
        with self._write() as session:
            first = insert.on_conflict_do_nothing().values(
                name=name, owner=owner, generation=0, lease_until=now
            )
            session.execute(first)
            row = session.get_one(LeadRow, name, with_for_update=True)
            if row.lease_until > now and row.owner != owner:
                return None
            if row.lease_until <= now:
                row.generation += 1
            row.owner, row.lease_until = owner, until
            return Lead(name, owner, row.generation, until)

    def holds_lead(self, lead: Lead, *, now: dt.datetime) -> bool:
        """Return whether the lead is still this one and has not run out."""
        with self._read() as session:
            row = session.get(LeadRow, lead.name)
            return (
                row is not None
                and (row.owner, row.generation) == (lead.owner, lead.generation)
                and row.lease_until > now
            )

    def give_up_lead(self, lead: Lead, *, now: dt.datetime) -> None:
        """Let another process lead at once; nothing happens if the lead was lost already."""
        with self._write() as session:
            session.execute(
                update(LeadRow)
                .where(
                    LeadRow.name == lead.name,
                    LeadRow.owner == lead.owner,
                    LeadRow.generation == lead.generation,
                    LeadRow.lease_until > now,
                )
                .values(lease_until=now)
            )


def _tick(row: TickRow) -> Tick:
    return Tick(
        row.name, row.due_at, row.last_started_at, row.last_finished_at, row.last_ok_at, row.last_error
    )
