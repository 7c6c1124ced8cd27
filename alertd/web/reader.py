"""What each link shows and does: links and a reader's wishes in, pages out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from alertd.errors import InputError
from alertd.records.alert import Episode
from alertd.records.preferences import BriefKind
from alertd.records.site import Site, Standing, Subscriber, Subscription
from alertd.service.links import EVERYTHING, Link, LinkFault, Links, Purpose
from alertd.service.people import SNOOZE_MAX, People, morning_of
from alertd.web.pages import Button, DayField, Page, long_day

QUIET_DAYS = (3, 7, 14)
END = "end"
BRIEFS: Mapping[str, str] = {BriefKind.WEEKLY: "weekly brief", BriefKind.EVENING: "evening brief"}
"""What a stop link may name instead of a site: no id of a site looks like that."""
GONE = Page(
    "This link does not work",
    ("Perhaps it was cut off: copy the whole of it from the mail. Or open the link in the newest mail.",),
)
TOO_OLD = Page(
    "This link is too old",
    ("Open the link in a newer mail, or ask whoever signed you up to send a new one.",),
)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A page with the status that says why nothing was done."""

    status: int
    page: Page


@dataclass(frozen=True, slots=True)
class Reader:
    """Answers the holder of a link."""

    links: Links
    people: People

    def show(self, purpose: Purpose, token: str, now: dt.datetime) -> Page | Refusal:
        """Return the page that says what a link would do, with the button; changes nothing."""
        link = self._link(purpose, token, now)
        if isinstance(link, Refusal):
            return link
        try:
            match purpose:
                case Purpose.CONFIRM:
                    return self._show_confirm(link)
                case Purpose.STOP:
                    return self._show_stop(link)
                case Purpose.SEEN:
                    return self._show_seen(link)
                case Purpose.SNOOZE:
                    return self._show_snooze(link, now)
        except InputError:
            return Refusal(404, GONE)

    def act(self, purpose: Purpose, token: str, form: Mapping[str, str], now: dt.datetime) -> Page | Refusal:
        """Do what a link is for and return the page that says so; twice is the same as once."""
        link = self._link(purpose, token, now)
        if isinstance(link, Refusal):
            return link
        try:
            match purpose:
                case Purpose.CONFIRM:
                    return self._confirm(link, now)
                case Purpose.STOP:
                    return self._stop(link, now)
                case Purpose.SEEN:
                    return self._seen(link, now)
                case Purpose.SNOOZE:
                    return self._snooze(link, form, now)
        except InputError:
            return Refusal(404, GONE)

    def _link(self, purpose: Purpose, token: str, now: dt.datetime) -> Link | Refusal:
        link = self.links.read(purpose, token, now)
        if link is LinkFault.EXPIRED:
            return Refusal(410, TOO_OLD)
        return link if isinstance(link, Link) else Refusal(404, GONE)

    def _show_confirm(self, link: Link) -> Page:
        reader = self.people.confirmable(link.subscriber_id, link.target)
        if reader.standing is Standing.ACTIVE:
            return _confirmed(reader)
        return Page(
            "Do you want these mails?",
            (
                f"Plant-care alerts for {reader.name} would go to the address this link was sent to.",
                "Not you? Close this page; without your yes no alert is sent.",
            ),
            (Button("Yes, send me alerts"),),
        )

    def _confirm(self, link: Link, now: dt.datetime) -> Page:
        return _confirmed(self.people.confirm(link.subscriber_id, link.target, now))

    def _show_stop(self, link: Link) -> Page:
        reader = self._reader(link)
        if reader is None or reader.standing is Standing.LEFT:
            return _stopped_all()
        everything = self.links.token(Purpose.STOP, reader.id, EVERYTHING, None)
        all_of_them = Button("Stop all mails to me", to=everything, main=link.target == EVERYTHING)
        brief = BRIEFS.get(link.target)
        if brief is not None:
            return Page(
                f"Stop the {brief}?",
                ("Alerts about your sites still come.",),
                (Button(f"Stop the {brief}"), all_of_them),
            )
        site = None if link.target == EVERYTHING else self._site_of(reader, link.target)
        if site is None:
            return Page("Stop all mails?", ("No more alerts about any site.",), (all_of_them,))
        return Page(
            f"Stop mails about {site.name}?",
            ("Choose below. To begin again later, ask whoever signed you up.",),
            (Button("Stop mails about this site"), all_of_them),
        )

    def _stop(self, link: Link, now: dt.datetime) -> Page:
        reader = self._reader(link)
        if reader is None:
            return _stopped_all()
        if link.target == EVERYTHING:
            self.people.leave(reader.id, now)
            return _stopped_all()
        if link.target in BRIEFS:
            self.people.leave_brief(reader.id, BriefKind(link.target), now)
            return Page(
                "Done", (f"The {BRIEFS[link.target]} ends here.", "Alerts about your sites still come.")
            )
        site = self._site_of(reader, link.target)
        self.people.leave_site(reader.id, link.target, now)
        about = site.name if site is not None else "this site"
        return Page("Done", (f"You get no more mails about {about}.",))

    def _show_seen(self, link: Link) -> Page:
        episode = self.people.store.seen_episode(link.subscriber_id, link.target)
        site = self._site(link, episode.site_id)
        if not episode.is_open:
            return _over(site)
        return Page(
            f"Seen: {_spoken(episode)}, {site.name}",
            (
                "Press the button and you get no reminders of it.",
                "You still hear when it gets worse, when the advice changes and when it is over.",
            ),
            (Button("I have seen this"),),
        )

    def _seen(self, link: Link, now: dt.datetime) -> Page:
        episode = self.people.acknowledge(link.target, link.subscriber_id, now)
        site = self._site(link, episode.site_id)
        if not episode.is_open:
            return _over(site)
        return Page(
            "Noted",
            (
                f"No reminders of this {_spoken(episode)} at {site.name}.",
                "You still hear when it gets worse, when the advice changes and when it is over.",
            ),
        )

    def _show_snooze(self, link: Link, now: dt.datetime) -> Page:
        site = self._site(link, link.target)
        subscription = self._subscription(link)
        today = now.astimezone(ZoneInfo(site.zone)).date()
        days = [today + dt.timedelta(days=count) for count in QUIET_DAYS]
        buttons = tuple(Button(f"Quiet until {long_day(day)}", name="until", value=str(day)) for day in days)
        sentences = [f"No mails about {site.name} until the morning of the day you choose."]
        if subscription.snoozed_until is not None and subscription.snoozed_until > now:
            until = subscription.snoozed_until.astimezone(ZoneInfo(site.zone)).date()
            sentences.insert(0, f"It is quiet until {long_day(until)} now.")
            buttons += (Button("End the quiet now", name="until", value=END, main=False),)
        sentences.append("Severe warnings still come.")
        last = (now + SNOOZE_MAX).astimezone(ZoneInfo(site.zone)).date()
        day = DayField("until", "Or another day", today + dt.timedelta(days=1), last)
        return Page(f"Quiet about {site.name}", tuple(sentences), buttons, day)

    def _snooze(self, link: Link, form: Mapping[str, str], now: dt.datetime) -> Page | Refusal:
        site = self._site(link, link.target)
        subscription = self._subscription(link)
        wish = form.get("until", "")
        if wish == END:
            self.people.snooze(subscription, None, now)
            return Page("Done", (f"You hear about {site.name} again.",))
        until = _wished(wish, site.zone)
        if until is None or not now < until <= now + SNOOZE_MAX:
            last = f"Choose a day after today, {SNOOZE_MAX.days} days from now at most."
            return Refusal(400, Page("Choose another day", (last, "Go back and try again.")))
        self.people.snooze(subscription, until, now)
        day = until.astimezone(ZoneInfo(site.zone)).date()
        return Page(
            "Done",
            (
                f"No mails about {site.name} until the morning of {long_day(day)}.",
                "Severe warnings still come.",
                "To end the quiet sooner, open the same link again.",
            ),
        )

    def _reader(self, link: Link) -> Subscriber | None:
        try:
            return self.people.store.subscriber(link.subscriber_id, None)
        except InputError:
            return None

    def _site_of(self, reader: Subscriber, site_id: str) -> Site | None:
        """Return a site of the reader's own firm, None if it is gone."""
        try:
            return self.people.store.site(site_id, reader.firm_id)
        except InputError:
            return None

    def _site(self, link: Link, site_id: str) -> Site:
        reader = self.people.store.subscriber(link.subscriber_id, None)
        return self.people.store.site(site_id, reader.firm_id)

    def _subscription(self, link: Link) -> Subscription:
        for found in self.people.store.subscriptions(link.subscriber_id):
            if found.site_id == link.target:
                return found
        raise InputError("site", "these mails were stopped already")


def _confirmed(reader: Subscriber) -> Page:
    return Page(
        "You are signed up",
        (f"Alerts for {reader.name} go to your address from now on.", "Every mail has a link to stop them."),
    )


def _stopped_all() -> Page:
    return Page(
        "Done",
        ("You get no more mails from here.", "To begin again later, ask whoever signed you up."),
    )


def _over(site: Site) -> Page:
    return Page("This is over already", (f"There is nothing left to be reminded of at {site.name}.",))


def _spoken(episode: Episode) -> str:
    return episode.kind.value.replace("-", " ")


def _wished(text: str, zone: str) -> dt.datetime | None:
    """Return the morning of a typed day, None if it is no day of this calendar."""
    try:
        day = dt.date.fromisoformat(text)
        return morning_of(day, zone) if abs(day.year - 2026) < 1000 else None
    except (ValueError, OverflowError):
        return None
