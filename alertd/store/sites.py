"""Sites and their plantings."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterable, Mapping
from dataclasses import replace

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.site import DEFAULT_FIRM, Site
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import AlertRow, EpisodeRow, OutboxRow, PlantingRow, SiteRow, SubscriptionRow
from alertd.store.rows import name_key, planting_values, site_record, site_values


class Sites(Desk):
    """Keeps what is watched. A removed site keeps its history and frees its name."""

    def add_site(self, site: Site, *, now: dt.datetime) -> Site:
        """Keep a new site and return it, with ids where it had none. Raises InputError on a taken name."""
        with self._write() as session:
            return self._add(session, site, now)

    def add_sites(self, sites: Iterable[Site], *, now: dt.datetime) -> None:
        """Keep all or none. Raises InputError naming the first name that is taken."""
        with self._write() as session:
            for site in sites:
                self._add(session, site, now)

    def edit_site(self, site: Site, *, now: dt.datetime) -> Site:
        """Replace the site of this id and return it. Raises InputError on a taken name or an unknown id."""
        with self._write() as session:
            row = session.get(SiteRow, site.id)
            if row is None or row.removed_at is not None or row.firm_id != site.firm_id:
                raise InputError("site", f"there is no site {site.id!r}; list the sites to find it")
            kept = self._with_ids(site)
            self._refuse_taken(session, kept)
            for column, value in site_values(kept).items():
                setattr(row, column, value)
            row.changed_at = now
            self._replace_plantings(session, row, kept)
            return kept

    def remove_site(self, id_or_name: str, *, now: dt.datetime, firm_id: str = DEFAULT_FIRM) -> Site:
        """Stop watching a site: episodes end, waiting messages lapse, history stays. Raises InputError."""
        with self._write() as session:
            row = _find(session, id_or_name, firm_id)
            row.removed_at = now
            row.active = False
            session.execute(delete(SubscriptionRow).where(SubscriptionRow.site_id == row.id))
            session.execute(
                update(EpisodeRow)
                .where(EpisodeRow.site_id == row.id, EpisodeRow.closed_at.is_(None))
                .values(closed_at=now, changed_at=now)
            )
            session.execute(
                update(OutboxRow)
                .where(
                    OutboxRow.state == MessageState.PENDING.value,
                    OutboxRow.alert_id.in_(select(AlertRow.id).where(AlertRow.site_id == row.id)),
                )
                .values(
                    state=MessageState.EXPIRED.value,
                    ready_at=None,
                    settled_at=now,
                    last_error="the site was removed",
                )
            )
            return replace(site_record(row), active=False)

    def site(self, id_or_name: str, firm_id: str | None = DEFAULT_FIRM) -> Site:
        """Return the site of this id or name. Raises InputError naming near matches if there is none."""
        with self._read() as session:
            return site_record(_find(session, id_or_name, firm_id))

    def sites(self, *, active: bool | None = True, firm_id: str | None = None) -> list[Site]:
        """Return the active sites by name, of every firm unless one is named; ``active=None`` means all."""
        question = select(SiteRow).where(SiteRow.removed_at.is_(None)).order_by(SiteRow.name_key, SiteRow.id)
        if firm_id is not None:
            question = question.where(SiteRow.firm_id == firm_id)
        if active is not None:
            question = question.where(SiteRow.active.is_(active))
        with self._read() as session:
            return [site_record(row) for row in session.scalars(question)]

    def sites_by_id(self, site_ids: Iterable[str]) -> Mapping[str, Site]:
        """Return those of the sites that exist and are not removed."""
        found: dict[str, Site] = {}
        with self._read() as session:
            for chunk in in_chunks(site_ids):
                question = select(SiteRow).where(SiteRow.id.in_(chunk), SiteRow.removed_at.is_(None))
                found.update((row.id, site_record(row)) for row in session.scalars(question))
        return found

    def _with_ids(self, site: Site) -> Site:
        plantings = tuple(
            planting if planting.id else replace(planting, id=self.new_id()) for planting in site.plantings
        )
        return replace(site, id=site.id or self.new_id(), plantings=plantings)

    def _add(self, session: Session, site: Site, now: dt.datetime) -> Site:
        kept = self._with_ids(site)
        self._refuse_taken(session, kept)
        row = SiteRow(
            id=kept.id,
            firm_id=kept.firm_id,
            added_at=now,
            changed_at=now,
            removed_at=None,
            **site_values(kept),
        )
        session.add(row)
        self._replace_plantings(session, row, kept)
        session.flush()
        return kept

    def _refuse_taken(self, session: Session, site: Site) -> None:
        taken = session.scalar(
            select(SiteRow.id).where(
                SiteRow.firm_id == site.firm_id,
                SiteRow.name_key == name_key(site.name),
                SiteRow.removed_at.is_(None),
                SiteRow.id != site.id,
            )
        )
        if taken is not None:
            raise InputError("name", f"there is already a site called {site.name!r}; choose another name")

    def _replace_plantings(self, session: Session, row: SiteRow, site: Site) -> None:
        present = {planting.id: planting for planting in row.plantings} if row in session and row.id else {}
        rows = []
        for position, planting in enumerate(site.plantings):
            kept = present.get(planting.id) or PlantingRow(id=planting.id)
            for column, value in planting_values(planting, position).items():
                setattr(kept, column, value)
            rows.append(kept)
        row.plantings = rows


def _find(session: Session, id_or_name: str, firm_id: str | None) -> SiteRow:
    present = select(SiteRow).where(SiteRow.removed_at.is_(None))
    if firm_id is not None:
        present = present.where(SiteRow.firm_id == firm_id)
    for condition in (SiteRow.id == id_or_name, SiteRow.name_key == name_key(id_or_name)):
        rows = session.scalars(present.where(condition).limit(2)).all()
        if len(rows) == 1:
            return rows[0]
        if rows:
            raise InputError("site", f"several firms have a site called {id_or_name!r}; use its id")
    names = session.scalars(present.with_only_columns(SiteRow.name).limit(2000)).all()
    raise InputError("site", missing_text("site", id_or_name, names))


def missing_text(what: str, wanted: str, names: Iterable[str]) -> str:
    """Return the sentence that says that nothing is called so, and what comes near."""
    near = difflib.get_close_matches(wanted, list(names), n=3)
    hint = f"did you mean {' or '.join(map(repr, near))}?" if near else f"list the {what}s to find it"
    return f"there is no {what} {wanted!r}; {hint}"
