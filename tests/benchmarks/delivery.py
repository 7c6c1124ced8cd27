"""How fast messages leave, against plain loops over the same messages, in the same run.

Run as ``python -m tests.benchmarks.delivery [messages]``. Receivers live in a process of their own. Our side
leases from the database, renders, hands over and settles each message, in batches of alerts with 20 readers,
each alert about weather of its own. It is compared with two plain loops that open a connection for each
message and keep no record:

* ``ready bytes`` sends the same bytes over and over: rendering and book-keeping count against us alone;
* ``same job`` renders and builds each message as well (charts are kept by the renderer, for both sides).

``transport alone`` is ready bytes through our transport against the first loop. All sides take turns in
rounds; the ratios are medians over the rounds.
"""

from __future__ import annotations

import copy
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
from alertd.delivery.email import EmailTransport, Envelope, Mail, SmtpSettings, Tls, write_email
from alertd.delivery.message import StopNotice
from alertd.delivery.render import _chart, render
from alertd.delivery.webhook import WebhookSettings, WebhookTransport, signature, webhook_body
from alertd.records.alert import Alert, AlertKind, OutboxMessage
from alertd.records.site import Channel, Subscriber
from alertd.service.deliver import Delivery
from alertd.store.models import OutboxRow
from alertd.store.rows import message_values
from alertd.store.store import Store, open_store
from tests.crash.servers import Hook
from tests.crash.servers import Mail as MailServer
from tests.delivery.evidence import every_alert, make_site
from tests.store.builders import NOW, make_alert, make_episode
from tests.store.builders import make_site as stored_site

SECRET = "whsec_" + "QUFB" * 8
READERS_EACH = 20
ROUNDS = 3
OURS = "rendered, sent and settled"
READY = "loop, ready bytes"
SAME_JOB = "loop, same job"
TRANSPORT = "transport alone, ready bytes"


def receive(pipe: Any, chain: str) -> None:
    """Serve mail, mail with STARTTLS and webhooks until told to stop."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(chain)
    with (
        MailServer(keep=False) as mail,
        MailServer(keep=False, tls=context) as safe,
        Hook(keep=False) as hook,
    ):
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


def make_alerts(count: int) -> list[Alert]:
    """Alerts of one site, each with its own temperatures, so that each has its own words and chart."""
    pattern = next(one for one in every_alert(make_site()).values() if one.kind is AlertKind.HOT_DRY)
    alerts = []
    for number in range(count):
        evidence = copy.deepcopy(pattern.evidence)
        for day in evidence["days"]:
            if day["temperature_max_c"] is not None:
                day["temperature_max_c"] += 0.01 * number
        alerts.append(
            replace(
                pattern, id=f"a{number}", site_id=make_site().id, episode_id="e1", sequence=number,
                made_at=NOW, expires_at=None, evidence=evidence,
            )
        )  # fmt: skip
    return alerts


def queue(store: Store, readers: list[Subscriber], messages: int) -> None:
    """Queue so many messages: alerts of one site, each to all readers."""
    site = make_site()
    store.add_site(site, now=NOW)
    alerts = make_alerts(-(-messages // len(readers)))
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
        _chart.cache_clear()
        delivery = Delivery(store, transports, "benchmark", round_s=1e9)
        began = time.perf_counter()
        report = delivery.run(NOW)
        took_s = time.perf_counter() - began
        assert report.sent == messages, report
    return messages / took_s


def each(send: Callable[[int], object], messages: int) -> float:
    """Return messages per second of a plain loop."""
    _chart.cache_clear()
    began = time.perf_counter()
    for number in range(messages):
        send(number)
    return messages / (time.perf_counter() - began)


def compare(title: str, bytes_each: int, sides: dict[str, Callable[[], float]]) -> None:
    """Run all sides in turns and print the rates and the ratios of the first to each plain loop."""
    rates: dict[str, list[float]] = {name: [] for name in sides}
    for _ in range(ROUNDS):
        for name, measure in sides.items():
            rates[name].append(measure())
    print(f"{title} ({bytes_each} bytes each)")
    for name, found in rates.items():
        print(f"  {name:34} {statistics.median(found):7.0f}/s  ({min(found):.0f} to {max(found):.0f})")
    for ours_name, loop_name in ((OURS, READY), (OURS, SAME_JOB), (TRANSPORT, READY)):
        ratios = [mine / loop for mine, loop in zip(rates[ours_name], rates[loop_name], strict=True)]
        print(
            f"  ratio {ours_name} : {loop_name} = {statistics.median(ratios):.2f}"
            f"  ({min(ratios):.2f} to {max(ratios):.2f})"
        )


def mail(folder: Path, port: int, ca_file: str, *, tls: Tls, messages: int) -> None:
    settings = SmtpSettings("localhost", port, "alerts@example.com", tls=tls, ca_file=ca_file)
    readers = [
        Subscriber(f"u{n}", f"Reader {n}", Channel.EMAIL, f"reader{n}@example.com")
        for n in range(READERS_EACH)
    ]
    site, stop = make_site(), StopNotice(settings.reply_address)
    alerts = make_alerts(-(-messages // READERS_EACH))

    def written(number: int) -> Mail:
        alert, reader = alerts[number // READERS_EACH % len(alerts)], readers[number % READERS_EACH]
        envelope = Envelope(f"m{number}", reader.address, reader.name, "e1", site.id)
        return write_email(render(alert, site, reader, stop), envelope, settings, stop, NOW)

    ready = written(0)

    def connect_and_send(mail: Mail) -> None:
        with smtplib.SMTP("localhost", port, local_hostname="example.com", timeout=10) as smtp:
            if tls is Tls.STARTTLS:
                smtp.starttls(context=ssl.create_default_context(cafile=ca_file))
            smtp.sendmail("alerts@example.com", [mail.to_address], mail.content)

    def transport_alone() -> float:
        with EmailTransport(settings).session() as transport:
            return each(lambda _number: transport.send(ready), messages)

    few = max(messages // 5, 50)
    compare(
        f"mail, {tls.value}",
        len(ready.content),
        {
            OURS: lambda: ours(folder, readers, {Channel.EMAIL: lambda: EmailChannel(settings)}, messages),
            READY: lambda: each(lambda _number: connect_and_send(ready), few),
            SAME_JOB: lambda: each(lambda number: connect_and_send(written(number)), few),
            TRANSPORT: transport_alone,
        },
    )


def hooks(folder: Path, port: int, messages: int) -> None:
    settings = WebhookSettings(networks=("127.0.0.0/8",), ports=(port,), plain_http=True)
    url = f"http://127.0.0.1:{port}/in"
    readers = [
        Subscriber(f"w{n}", f"Board {n}", Channel.WEBHOOK, url, secret=SECRET) for n in range(READERS_EACH)
    ]
    site, alerts = make_site(), make_alerts(-(-messages // READERS_EACH))
    ready = webhook_body(alerts[0], site)

    def post(number: int, body: bytes) -> None:
        headers = {
            "content-type": "application/json",
            "webhook-id": f"m{number}",
            "webhook-timestamp": "1",
            "webhook-signature": signature([SECRET], f"m{number}", 1, body),
        }
        requests.post(url, data=body, headers=headers, timeout=10).close()

    def transport_alone() -> float:
        with WebhookTransport(settings) as transport:
            return each(lambda number: transport.send(url, [SECRET], f"m{number}", ready, NOW), messages)

    compare(
        "webhooks",
        len(ready),
        {
            OURS: lambda: ours(
                folder, readers, {Channel.WEBHOOK: lambda: WebhookChannel(settings)}, messages
            ),
            READY: lambda: each(lambda number: post(number, ready), messages),
            SAME_JOB: lambda: each(
                lambda number: post(number, webhook_body(alerts[number // READERS_EACH], site)), messages
            ),
            TRANSPORT: transport_alone,
        },
    )


def lease(folder: Path, rounds: int = 15) -> None:
    medians, beside = {}, {}
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
            times = []
            for _ in range(rounds):
                began = time.perf_counter()
                store.lease(NOW + dt.timedelta(hours=1), "w", 50, 600, channel=Channel.WEBHOOK, idle=False)
                times.append(time.perf_counter() - began)
            beside[pending] = statistics.median(times)
    for title, found in (("lease of 50", medians), ("lease of none beside them", beside)):
        small, large = found[1_000], found[100_000]
        print(
            f"{title}: {small * 1e3:.2f} ms with 1,000 due, {large * 1e3:.2f} ms with 100,000 due; "
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
