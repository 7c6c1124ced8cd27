"""``alertd subscriber test`` and ``rotate-secret``: whether messages get through, and are believed."""

from __future__ import annotations

import datetime as dt
import secrets
from typing import Annotated

import typer

from alertd.cli.printing import examples, print_json, say
from alertd.cli.session import session_of
from alertd.errors import InputError
from alertd.records.site import Channel
from alertd.service.subscribers import new_webhook_secret, shown_address

OLD_HOURS, OLD_HOURS_MAX = 24, 24 * 14
Name = Annotated[str, typer.Argument(metavar="NAME", help="Name or id of the subscriber.")]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for machines.")]


def register(subscriber: typer.Typer) -> None:
    """Add the commands of this module to those about subscribers."""
    subscriber.command(
        "test",
        short_help="Send somebody a test message now.",
        epilog=examples('alertd subscriber test "Crew lead"', "alertd subscriber test Board --json"),
    )(try_way)
    subscriber.command(
        "rotate-secret",
        short_help="Give a webhook a new secret.",
        epilog=examples(
            "alertd subscriber rotate-secret Board",
            "alertd subscriber rotate-secret Board --old-for 72",
            "alertd subscriber rotate-secret Board --finish",
        ),
    )(rotate_secret)


def try_way(context: typer.Context, name: Name, as_json: AsJson = False) -> None:
    """Send a message that says it is a test, over the way the alerts take, and show what was answered.

    It goes at once, also in quiet hours, and only to somebody who is sent alerts.
    """
    session = session_of(context)
    with session.app() as app:
        reader = app.store.subscriber(name)
        said = app.trial.send(reader, session.now())
    if as_json:
        print_json({"subscriber": reader.name, "address": shown_address(reader), "answer": said})
        return
    taken = "mail server" if reader.channel is Channel.EMAIL else "receiver"
    say(f"A test message went to {reader.name} ({shown_address(reader)}).")
    say(f"The {taken} answered: {said}")
    if reader.channel is Channel.EMAIL:
        say("Look whether it arrived, and not among junk mail.")


def rotate_secret(
    context: typer.Context,
    name: Name,
    old_for: Annotated[
        int | None,
        typer.Option(
            "--old-for", min=1, max=OLD_HOURS_MAX, metavar="HOURS", help="How long the old one stays good."
        ),
    ] = None,
    finish: Annotated[
        bool, typer.Option("--finish", help="End the old secret now; the receiver has the new one.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Make a new secret for a webhook and show it this once.

    Until the old one ends every message carries a signature of each, so the receiver can change over
    whenever it suits within that time: 24 hours, unless said otherwise.
    """
    if finish and old_for is not None:
        raise InputError("finish", "the old secret ends now or in some hours; give one of both")
    session = session_of(context)
    now = session.now()
    with session.app() as app:
        reader = app.store.subscriber(name)
        if reader.channel is not Channel.WEBHOOK:
            raise InputError("subscriber", f"{reader.name} gets mail; only webhooks have a secret")
        if finish:
            dropped = app.store.drop_old_secrets(now, reader.id)
            _tell_finished(reader.name, dropped, as_json=as_json)
            return
        until = now + dt.timedelta(hours=OLD_HOURS if old_for is None else old_for)
        rotated = app.store.rotate_secret(
            reader.id, new_webhook_secret(secrets.token_bytes), old_until=until, now=now
        )
    if as_json:
        print_json({"subscriber": rotated.name, "secret": rotated.secret, "old_secret_until": until})
        return
    say(f"New secret of {rotated.name}, shown this once; give it to the receiver and keep it safe:")
    print(rotated.secret)
    say(
        f"Messages are signed with the old one as well until {until:%Y-%m-%d %H:%M} UTC. Try the new one "
        "with `alertd subscriber test`, and end the old one sooner with --finish."
    )


def _tell_finished(name: str, dropped: int, *, as_json: bool) -> None:
    if as_json:
        print_json({"subscriber": name, "dropped": dropped})
    elif dropped:
        say(f"The old secret of {name} is no longer used; the new one alone signs.")
    else:
        say(f"{name} has one secret only; nothing was changed.")
