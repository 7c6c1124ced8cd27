"""What finds no room comes back spread over time, and in groups that one transaction can put off."""

from __future__ import annotations

import datetime as dt
import threading
from collections import Counter
from contextlib import nullcontext

from alertd.records.alert import OutboxMessage
from alertd.records.keeping import Parcel
from alertd.records.site import Channel, Subscriber
from alertd.service.lanes import COMING_BACK_S, Lanes, Limits, Pace
from tests.store.builders import NOW, make_alert, make_site


def test_a_crowd_is_put_off_in_few_groups_none_early_and_none_late() -> None:
    told = threading.Event()

    class Waits:
        def send(self, parcel: Parcel, now: dt.datetime) -> str:
            told.wait(10)
            return "taken"

    limits = Limits(paces={Channel.WEBHOOK: Pace(sessions=1, waiting=5)}, linger_s=0.5, refill_per_s=500.0)
    lanes = Lanes({Channel.WEBHOOK: lambda: nullcontext(Waits())}, limits, now=lambda: NOW)
    reader = Subscriber("w1", "Board", Channel.WEBHOOK, "https://board.example.com/in")
    alert, site = make_alert("s1"), make_site(site_id="s1")
    messages = [OutboxMessage(f"m{n}", alert.id, reader.id, Channel.WEBHOOK, NOW) for n in range(405)]
    try:
        lanes.offer([Parcel(message, alert, site, reader) for message in messages])
        moments = [due_at for _parcel, due_at in lanes.declined() if due_at is not None]
        assert len(moments) == 400
        groups = Counter(moments)
        assert max(groups.values()) <= 500 * COMING_BACK_S + 1
        assert len(groups) <= 10
        exact = [NOW + dt.timedelta(seconds=0.5 + (n + 1) / 500) for n in range(400)]
        waits_s = [(put_off - due).total_seconds() for put_off, due in zip(moments, exact, strict=True)]
        assert min(waits_s) >= -1e-4
        assert max(waits_s) <= COMING_BACK_S + 1e-4
        assert lanes.crowded_until() == max(moments)
    finally:
        told.set()
        lanes.take_back()
        assert lanes.close(5.0) == []
