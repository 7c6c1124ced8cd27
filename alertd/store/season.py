"""The season carried forward: one state per site and local day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from alertd.records.season import SeasonState
from alertd.store.desk import Desk, in_chunks
from alertd.store.models import SeasonRow
from alertd.store.packing import pack_season, unpack_season


class Seasons(Desk):
    """Keeps season states; the state made later wins its day."""

    def save_seasons(self, states: Iterable[SeasonState]) -> None:
        """Keep the states in one transaction."""
        with self._write() as session:
            self._put_seasons(session, list(states))

    def seasons(self, site_ids: Iterable[str], as_of: dt.datetime) -> Mapping[str, SeasonState]:
        """Return, for each site that has one, the state of its newest day made at or before ``as_of``."""
        found: dict[str, SeasonState] = {}
        with self._read() as session:
            for chunk in in_chunks(site_ids):
                newest = (
                    select(SeasonRow.site_id, func.max(SeasonRow.day).label("newest_day"))
                    .where(SeasonRow.site_id.in_(chunk), SeasonRow.made_at <= as_of)
                    .group_by(SeasonRow.site_id)
                    .subquery()
                )
                question = select(SeasonRow).join(
                    newest,
                    (SeasonRow.site_id == newest.c.site_id) & (SeasonRow.day == newest.c.newest_day),
                )
                for row in session.scalars(question):
                    found[row.site_id] = unpack_season(row.packed, row.site_id, row.day, row.made_at)
        return found

    def season(self, site_id: str, as_of: dt.datetime) -> SeasonState | None:
        """Return the state of the newest day made at or before ``as_of``, None if there is none."""
        return self.seasons([site_id], as_of).get(site_id)

    def forget_seasons(self, before_day: dt.date) -> int:
        """Drop states of days before then, but never a site's newest. Returns how many."""
        newest = (
            select(SeasonRow.site_id, func.max(SeasonRow.day).label("newest_day"))
            .group_by(SeasonRow.site_id)
            .subquery()
        )
        kept = select(newest.c.site_id).where(
            newest.c.site_id == SeasonRow.site_id, newest.c.newest_day == SeasonRow.day
        )
        question = (
            delete(SeasonRow)
            .where(SeasonRow.day < before_day, ~kept.exists())
            .returning(SeasonRow.site_id)
            .execution_options(synchronize_session=False)
        )
        with self._write() as session:
            return len(session.scalars(question).all())

    def _put_seasons(self, session: Session, states: Sequence[SeasonState]) -> None:
        if not states:
            return
        insert = self._insert(SeasonRow)
        statement = insert.on_conflict_do_update(
            index_elements=[SeasonRow.site_id, SeasonRow.day],
            set_={"made_at": insert.excluded.made_at, "packed": insert.excluded.packed},
            where=SeasonRow.made_at <= insert.excluded.made_at,
        )
        session.execute(
            statement,
            [
                {"site_id": s.site_id, "day": s.day, "made_at": s.made_at, "packed": pack_season(s)}
                for s in states
            ],
        )
