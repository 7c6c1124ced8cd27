"""``alertd subscriber suspend``, ``resume`` and ``confirm``: where readers stand."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Annotated

import typer

from alertd.cli.exits import complain
from alertd.cli.printing import examples, say
from alertd.cli.session import session_of
from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.keeping import BounceKind
from alertd.records.site import Standing, Subscriber
from alertd.service.people import STANDING_WORDS, Welcome

if TYPE_CHECKING:
    from alertd.app import App

Name = Annotated[str, typer.Argument(metavar="NAME", help="Name or id of the subscriber.")]
SHORT: dict[Standing, str] = {
    Standing.PENDING: "to confirm",
    Standing.ACTIVE: "active",
    Standing.SUSPENDED: "suspended",
    Standing.LEFT: "stopped",
}
DETAIL_SHOWN_MAX = 160


def register(subscriber: typer.Typer) -> None:
    """Add the commands of this module to those about subscribers."""
    subscriber.command(
        "suspend",
        short_help="Send somebody nothing until resumed.",
        epilog=examples('alertd subscriber suspend "Crew lead"'),
    )(suspend)
    subscriber.command(
        "resume",
        short_help="Begin again with somebody who was suspended.",
        epilog=examples('alertd subscriber resume "Crew lead"'),
    )(resume)
    subscriber.command(
        "confirm",
        short_help="Vouch for somebody who has not confirmed.",
        epilog=examples('alertd subscriber confirm "Crew lead"'),
    )(confirm)


def standing_words(one: Subscriber) -> str:
    """Return where somebody stands and since which day (UTC), such as ``suspended since 2026-07-14``."""
    since = "" if one.standing_at is None else f" since {one.standing_at:%Y-%m-%d}"
    return f"{SHORT[one.standing]}{since}{'' if one.active else ', switched off'}"


def standing_reason(app: App, one: Subscriber) -> str:
    """Return why somebody gets nothing, as far as that is kept; empty for the active ones."""
    if one.standing is Standing.SUSPENDED:
        returned = next((b for b in app.store.bounces(one.id) if b.kind is BounceKind.HARD), None)
        if returned is None:
            return "by the operator, or of old"
        return f"mail came back: {returned.status} {returned.detail}".strip()[:DETAIL_SHOWN_MAX]
    if one.standing is Standing.PENDING:
        asked = next(iter(app.store.notices(one.id, limit=1)), None)
        if asked is None:
            return "no request to confirm was queued"
        how = {
            MessageState.SENT: "was handed over",
            MessageState.DEAD: f"was not taken: {asked.last_error}",
            MessageState.EXPIRED: "ran out before it was sent",
        }.get(asked.state, f"waits to be sent{f': {asked.last_error}' if asked.last_error else ''}")
        return f"the request of {asked.queued_at:%Y-%m-%d %H:%M} UTC {how}"[:DETAIL_SHOWN_MAX]
    return ""


def suspend(context: typer.Context, name: Name) -> None:
    """Send somebody nothing until `resume`; what waits lapses, sites and preferences stay."""
    session = session_of(context)
    with session.app() as app:
        reader = app.store.subscriber(name)
        if reader.standing not in (Standing.ACTIVE, Standing.PENDING):
            raise InputError("subscriber", f"{reader.name} {STANDING_WORDS[reader.standing]} already")
        app.people.suspend(reader, "the operator suspended the subscriber", session.now())
    say(f"{reader.name} gets nothing until `alertd subscriber resume`.")


def resume(context: typer.Context, name: Name) -> None:
    """Begin again with somebody who was suspended, by hand or because mail came back.

    With public pages the owner of the address is asked to confirm again; `confirm` vouches for them.
    """
    session = session_of(context)
    with session.app() as app:
        welcome = app.people.resume(app.store.subscriber(name), session.now())
    if welcome.subscriber.standing is Standing.ACTIVE:
        say(f"{welcome.subscriber.name} gets messages again, from the next alert on.")
    else:
        tell_welcome(welcome)
        say(f"To vouch for them yourself: alertd subscriber confirm {shlex.quote(welcome.subscriber.name)}")


def confirm(context: typer.Context, name: Name) -> None:
    """Vouch that the owner of an address wants the mails, in place of their own click.

    For somebody who has told you so: mail that nobody asked for puts the sender on block lists.
    """
    session = session_of(context)
    with session.app() as app:
        reader = app.people.vouch(app.store.subscriber(name), session.now())
    say(f"{reader.name} gets messages from now on; you vouch that they want them.")


def tell_welcome(welcome: Welcome) -> None:
    """Say whether a request to confirm is on its way."""
    if welcome.notice is not None:
        say(
            "Waits for the owner of the address to confirm it; no alert is sent before. `alertd run` mails "
            f"the request, good until {welcome.notice.expires_at:%Y-%m-%d %H:%M} UTC."
        )
    elif welcome.refused:
        complain(f"note: no request to confirm was queued: {welcome.refused}")
