"""How fast messages leave, against the plainest loop that does the same, in the same run.

Run as ``python -m tests.benchmarks.delivery [messages]``. Receivers live in a process of their own. Our side
leases from the database, renders, hands over and settles each message; the plain loops send ready-made
bytes and keep no record, so rendering and book-keeping count against us alone.
"""

from __future__ import annotations

import datetime as dt
import logging
import multiprocessing
import smtplib
import ssl
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import requests
import structlog
import trustme
from sqlalchemy import insert

from alertd.delivery.channels import EmailChannel, WebhookChannel
from alertd.delivery.email import Envelope, SmtpSettings, Tls, build_email
from alertd.delivery.message import StopNotice
from alertd.delivery.render import render
from alertd.delivery.webhook import WebhookSettings, webhook_body
from alertd.records.alert import OutboxMessage
from alertd.records.site import Channel, Subscriber
from alertd.service.deliver import Delivery
from alertd.store.models import OutboxRow
from alertd.store.rows import message_values
from alertd.store.store import Store, open_store
from tests.crash.servers import Hook, Mail
from tests.delivery.evidence import every_alert, make_site
from tests.store.builders import NOW, make_alert, make_episode
from tests.store.builders import make_site as stored_site

SECRET = "whsec_" + "QUFB" * 8
ALERTS_EACH = 20


def receive(pipe: Any, chain: str) -> None:
    """Serve mail, mail with STARTTLS and webhooks until told to stop."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(chain)
    with Mail(keep=False) as mail, Mail(keep=False, tls=context) as safe, Hook(keep=False) as hook:
        pipe.send((mail.port, safe.port, hook.port))
        pipe.recv()


@contextmanager
def receivers(folder: Path) -> Iterator[tuple[int, int, int, str]]:
    ca = trustme.CA()
    ca.cert_pem.write_to_path(str(folder / "ca.pem"))
    ca.issue_cert("localhost", "127.0.0.1").private_key_and_cert_chain_pem.write_to_path(
        str(folder / "chain.pem")
    )
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(
        target=receive, args=(theirs, str(folder / "chain.pem")), daemon=True
    )
    process.start()
    try:
        yield (*ours.recv(), str(folder / "ca.pem"))
    finally:
        ours.send("stop")
        process.join(10)


def queue(store: Store, readers: list[Subscriber], messages: int) -> None:
    """Queue so many messages: alerts of one site, each to all readers."""
    site = make_site()
    store.add_site(replace(site, id=site.id), now=NOW)
    pattern = next(a for a in every_alert(site).values() if a.kind.value == "hot-dry-warning")
    alerts = [
        replace(
            pattern, id=f"a{n}", site_id=site.id, episode_id="e1", sequence=n, made_at=NOW, expires_at=None
        )
        for n in range(-(-messages // len(readers)))
    ]
    for reader in readers:
        store.add_subscriber(reader, now=NOW)
    rows = [
        OutboxMessage(f"{reader.id}-{alert.id}", alert.id, reader.id, reader.channel, NOW)
        for alert in alerts
        for reader in readers
    ]
    store.commit_decisions(episodes=[make_episode(site.id)], alerts=alerts, messages=rows[:messages], now=NOW)


def ours(folder: Path, readers: list[Subscriber], transports: Any, messages: int) -> float:
    """Return messages per second through lease, rendering, sending and settling."""
    with open_store(f"sqlite:///{folder / f'{time.monotonic_ns()}.db'}", create=True) as store:
        queue(store, readers, messages)
        delivery = Delivery(store, transports, "benchmark", round_s=1e9)
        began = time.perf_counter()
        report = delivery.run(NOW)
        took_s = time.perf_counter() - began
        assert report.sent == messages, report
    return messages / took_s


def plain(send: Callable[[int], None], messages: int) -> float:
    began = time.perf_counter()
    for number in range(messages):
        send(number)
    return messages / (time.perf_counter() - began)


def mail(folder: Path, port: int, ca_file: str, *, tls: Tls, messages: int) -> None:
    settings = SmtpSettings("localhost", port, "alerts@example.com", tls=tls, ca_file=ca_file)
    readers = [
        Subscriber(f"u{n}", f"Reader {n}", Channel.EMAIL, f"reader{n}@example.com")
        for n in range(ALERTS_EACH)
    ]
    site = make_site()
    alert = next(a for a in every_alert(site).values() if a.kind.value == "hot-dry-warning")
    stop = StopNotice(settings.reply_address)
    words = render(alert, site, readers[0], stop)
    ready = build_email(
        words, Envelope("m1", "reader@example.com", "Reader", "e1", site.id), settings, stop, NOW
    ).as_bytes()

    def connect_and_send(_number: int) -> None:
        with smtplib.SMTP("localhost", port, local_hostname="example.com", timeout=10) as smtp:
            if tls is Tls.STARTTLS:
                smtp.starttls(context=ssl.create_default_context(cafile=ca_file))
            smtp.sendmail("alerts@example.com", ["reader@example.com"], ready)

    loop = plain(connect_and_send, max(messages // 5, 50))
    mine = ours(folder, readers, {Channel.EMAIL: lambda: EmailChannel(settings)}, messages)
    print(
        f"mail, {tls.value:8}: {mine:7.0f} messages/s rendered, sent and settled; a connection for each"
        f" {loop:7.0f}/s; ratio {mine / loop:5.2f}  ({len(ready)} bytes each)"
    )


def hooks(folder: Path, port: int, messages: int) -> None:
    settings = WebhookSettings(networks=("127.0.0.0/8",), ports=(port,), plain_http=True)
    url = f"http://127.0.0.1:{port}/in"
    readers = [
        Subscriber(f"w{n}", f"Board {n}", Channel.WEBHOOK, url, secret=SECRET) for n in range(ALERTS_EACH)
    ]
    site = make_site()
    alert = next(a for a in every_alert(site).values() if a.kind.value == "hot-dry-warning")
    body = webhook_body(alert, site)
    headers = {"content-type": "application/json", "webhook-id": "m1"}
    loop = plain(
        lambda _number: requests.post(url, data=body, headers=headers, timeout=10).close(), messages // 3
    )
    mine = ours(folder, readers, {Channel.WEBHOOK: lambda: WebhookChannel(settings)}, messages)
    print(
        f"webhooks      : {mine:7.0f} messages/s rendered, signed, sent and settled; requests.post loop"
        f" {loop:7.0f}/s; ratio {mine / loop:5.2f}  ({len(body)} bytes each)"
    )


def lease(folder: Path, rounds: int = 15) -> None:
    medians = {}
    for pending in (1_000, 100_000):
        with open_store(f"sqlite:///{folder / f'lease{pending}.db'}", create=True) as store:
            store.add_site(stored_site(site_id="s1"), now=NOW)
            store.add_subscriber(Subscriber("u1", "U", Channel.EMAIL, "u@example.com"), now=NOW)
            alerts = [make_alert("s1", f"a{n}", sequence=n) for n in range(pending)]
            store.commit_decisions(episodes=[make_episode("s1")], alerts=alerts, now=NOW)
            rows = [
                {
                    **message_values(
                        OutboxMessage(
                            f"m{n}", f"a{n}", "u1", Channel.EMAIL, NOW + dt.timedelta(seconds=n % 60)
                        )
                    ),
                    "queued_at": NOW,
                }
                for n in range(pending)
            ]
            with store._write() as session:
                session.execute(insert(OutboxRow), rows)
            times = []
            for _ in range(rounds):
                began = time.perf_counter()
                leased = store.lease(NOW + dt.timedelta(hours=1), "w", 50, 600, channel=Channel.EMAIL)
                times.append(time.perf_counter() - began)
                assert len(leased) == 50
            medians[pending] = statistics.median(times)
    small, large = medians[1_000], medians[100_000]
    print(
        f"lease of 50   : {small * 1e3:.2f} ms with 1,000 due, {large * 1e3:.2f} ms with 100,000 due; "
        f"ratio {large / small:.2f} (median of {rounds})"
    )


def main(messages: int) -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lease(folder)
        with receivers(folder) as (port, safe_port, hook_port, ca_file):
            mail(folder, port, ca_file, tls=Tls.NONE, messages=messages)
            mail(folder, safe_port, ca_file, tls=Tls.STARTTLS, messages=messages)
            hooks(folder, hook_port, messages)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
