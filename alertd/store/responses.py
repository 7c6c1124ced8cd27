"""The providers' answers, kept for conditional requests across restarts."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import delete

from alertd.records.keeping import CachedResponse
from alertd.store.desk import Desk
from alertd.store.models import CachedResponseRow


class Responses(Desk):
    """Keeps one answer a key. Keys are addresses and hold no secrets."""

    def get(self, key: str) -> CachedResponse | None:
        """Return the answer kept under this key, fresh or not."""
        with self._read() as session:
            row = session.get(CachedResponseRow, key)
            if row is None:
                return None
            return CachedResponse(
                url=row.url,
                body=row.body,
                status=row.status,
                headers=dict(row.headers),
                fetched_at=row.fetched_at,
                expires_at=row.expires_at,
            )

    def put(self, key: str, response: CachedResponse) -> None:
        """Keep this answer under this key in place of the former one."""
        values = {
            "url": response.url,
            "body": response.body,
            "status": response.status,
            "headers": dict(response.headers),
            "fetched_at": response.fetched_at,
            "expires_at": response.expires_at,
        }
        insert = self._insert(CachedResponseRow).values(key=key, **values)
        with self._write() as session:
            session.execute(insert.on_conflict_do_update(index_elements=[CachedResponseRow.key], set_=values))

    def forget(self, fetched_before: dt.datetime) -> int:
        """Drop answers fetched before then. Returns how many."""
        question = (
            delete(CachedResponseRow)
            .where(CachedResponseRow.fetched_at < fetched_before)
            .returning(CachedResponseRow.key)
            .execution_options(synchronize_session=False)
        )
        with self._write() as session:
            return len(session.scalars(question).all())
