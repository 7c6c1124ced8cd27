"""A limit that is looser than the usual one stands with its reason on every message about spraying."""

from __future__ import annotations

import dataclasses
import html
import re
from typing import Any

import pytest

from alertd.delivery.letter import render_letter
from alertd.delivery.message import Message
from alertd.delivery.render import render
from alertd.records.alert import Alert
from alertd.records.brief import DigestEntry
from alertd.records.preferences import BriefKind
from alertd.records.site import UnitSystem
from tests.delivery.evidence import STOP, every_alert, make_site, make_subscriber
from tests.delivery.test_letter import LINE, letter

SITE = make_site()
LOOSER = "heat block 35 degC instead of 32.22 degC (label of 2026 <b>allows</b> it)"
TOLD = {
    UnitSystem.US: "heat block 95°F instead of 90°F (label of 2026 <b>allows</b> it)",
    UnitSystem.METRIC: "heat block 35°C instead of 32°C (label of 2026 <b>allows</b> it)",
}
ALERTS = {name: one for name, one in every_alert(SITE).items() if one.evidence.get("materials")}


def loosened(alert: Alert) -> Alert:
    evidence: Any = dict(alert.evidence)
    evidence["materials"] = [
        {**one, "loosened": [LOOSER]} if one["material"] == "soap" else one for one in evidence["materials"]
    ]
    return dataclasses.replace(alert, evidence=evidence)


def both(message: Message) -> tuple[str, str]:
    """Return the text and what the page shows, each on one line."""
    page = html.unescape(re.sub(r"<[^>]+>", "", message.html))
    return " ".join(message.text.split()), " ".join(page.split())


def test_there_are_kinds_to_look_at() -> None:
    assert {one.kind for one in ALERTS.values()} >= {"hot-dry-warning", "mite-pressure", "spray-window"}


@pytest.mark.parametrize("units", list(UnitSystem))
@pytest.mark.parametrize("name", sorted(ALERTS))
def test_every_message_that_speaks_of_spraying_says_so_in_text_and_page(name: str, units: UnitSystem) -> None:
    message = render(loosened(ALERTS[name]), SITE, make_subscriber(units), STOP)
    for said in both(message):
        assert "Looser limits" in said
        # A sentence begins with a capital.
        assert f"Insecticidal soap: {TOLD[units][:1].upper()}{TOLD[units][1:]}." in said
        assert "The label of the product in hand wins." in said
    assert "<b>allows" not in message.html, "a reason is text, whatever is typed"


@pytest.mark.parametrize("name", sorted(ALERTS))
def test_without_a_looser_limit_nothing_is_said(name: str) -> None:
    message = render(ALERTS[name], SITE, make_subscriber(), STOP)
    assert "Looser limits" not in message.text + message.html


@pytest.mark.parametrize("kind", [BriefKind.WEEKLY, BriefKind.EVENING])
def test_briefs_name_the_site_with_it(kind: BriefKind) -> None:
    line = dataclasses.replace(LINE, loosened=((LOOSER, ("Insecticidal soap", "Sulfur")),))
    message = render_letter(dataclasses.replace(letter(kind), lines=(line,)), STOP)
    for said in both(message):
        assert "Maple Court, Insecticidal soap, Sulfur: Heat block 95°F instead of 90°F" in said
    assert "Looser" not in render_letter(letter(kind), STOP).text


def test_a_digest_says_it_once_a_site() -> None:
    entries = tuple(DigestEntry(loosened(one), SITE) for one in ALERTS.values())
    message = render_letter(dataclasses.replace(letter(BriefKind.DIGEST), entries=entries), STOP)
    for said in both(message):
        assert said.count("Maple Court, Insecticidal soap: Heat block 95°F") == 1
