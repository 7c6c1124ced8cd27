"""From an alert to a message in words: pure, so the same alert always reads the same."""

from __future__ import annotations

import functools
import json
import re
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import jinja2
from markupsafe import Markup, escape

import alertd
from alertd.delivery.chart import draw_chart
from alertd.delivery.message import Message, StopNotice
from alertd.delivery.palette import LIGHT
from alertd.delivery.reading import Calendar, Quantities
from alertd.delivery.wording import facts, heat_line_c
from alertd.records.alert import Alert
from alertd.records.site import Site, Subscriber, UnitSystem

SUBJECT_LENGTH_MAX = 60
TEXT_COLUMNS = 72
FILL_KEPT_MAX = 2000
DRAWN = ("days", "spell", "materials", "rule")
"""Keys of the evidence that the chart shows."""
_LINK = Markup('<a class="link" href="{url}" style="color:{colour}">{url}</a>')
_URL = re.compile(r"https?://[^\s<>()\"']+[^\s<>()\"'.,;:]")


def templates_folder() -> Path:
    """Return where the templates lie: inside the installed package, or beside it in a checkout."""
    package = Path(alertd.__file__).parent
    inside = package / "templates"
    return inside if inside.is_dir() else package.parent / "templates"


def render(alert: Alert, site: Site, subscriber: Subscriber, stop: StopNotice) -> Message:
    """Return the message about one alert for one reader, in their units and the site's local time."""
    names = facts(alert, site, subscriber, stop)
    plain, html = environments()
    kind = alert.kind.value
    names["shape"] = "email/shape.txt.j2"
    words = plain.get_template(f"email/{kind}.words.j2").make_module(names)
    names["subject"] = _subject(names["place_name"], said(words, "subject"))
    names["headline"] = said(words, "headline")
    names["preview"] = said(words, "preview")
    text = plain.get_template(f"email/{kind}.txt.j2").render(names)
    names["shape"] = "email/shape.html.j2"
    markup = html.get_template(f"email/{kind}.html.j2").render(names)
    chart = None
    if names["chart_alt"]:
        drawn = {key: names["evidence"][key] for key in DRAWN if key in names["evidence"]}
        chart = _chart(json.dumps(drawn, sort_keys=True), subscriber.units, site.zone)
    return Message(
        subject=names["subject"],
        preview=names["preview"],
        text=tidy(text),
        html=squeezed(markup),
        chart_png=chart,
        chart_alt=names["chart_alt"],
    )


def headline(alert: Alert, site: Site, subscriber: Subscriber, stop: StopNotice) -> str:
    """Return the one sentence that the message about an alert begins with; draws nothing."""
    names = facts(alert, site, subscriber, stop)
    plain, _html = environments()
    names["shape"] = "email/shape.txt.j2"
    words = plain.get_template(f"email/{alert.kind.value}.words.j2").make_module(names)
    return said(words, "headline")


@functools.lru_cache(maxsize=64)
def _chart(evidence_text: str, units: UnitSystem, zone: str) -> bytes | None:
    """Return the chart; all readers and alerts with the same weather and units share one drawing."""
    evidence = json.loads(evidence_text)
    calendar = Calendar(ZoneInfo(zone), units)
    return draw_chart(evidence, heat_line_c(evidence), Quantities(units), calendar)


@functools.cache
def environments() -> tuple[jinja2.Environment, jinja2.Environment]:
    """Return the environments for plain text and for HTML; they differ in escaping only."""
    loader = jinja2.FileSystemLoader(templates_folder())
    pair = []
    for autoescape in (False, True):
        environment = jinja2.Environment(
            loader=loader,
            autoescape=autoescape,  # noqa: S701  # off for plain text only
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            keep_trailing_newline=False,
            auto_reload=False,
        )
        environment.filters.update(
            fill=fill, origin=_origin, sentence=_sentence, sentence_case=_sentence_case, linked=_linked
        )
        pair.append(environment)
    return pair[0], pair[1]


def said(words: Any, name: str) -> str:
    """Return what a macro says, on one line."""
    return " ".join(str(getattr(words, name)()).split())


def _subject(place: str, rest: str) -> str:
    """Return ``place: rest`` short enough for a lock screen; the place gives way, the news does not."""
    room = SUBJECT_LENGTH_MAX - len(rest) - 2
    if len(place) > room:
        place = f"{place[: max(room - 1, 8)].rstrip()}…"
    return f"{place}: {rest}"


def fill(text: str, first: str = "", rest: str = "") -> str:
    """Return text broken into lines of 72 columns; links and long words stay whole."""
    if len(text) > FILL_KEPT_MAX:
        return _filled.__wrapped__(text, first, rest)
    return _filled(text, first, rest)


@functools.lru_cache(maxsize=512)
def _filled(text: str, first: str, rest: str) -> str:
    """Break a paragraph; cautions and explanations come again in alert after alert."""
    return textwrap.fill(
        " ".join(text.split()),
        TEXT_COLUMNS,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    """Return text that begins like a sentence and ends like one."""
    cased = _sentence_case(text.strip())
    return cased if cased.endswith((".", "!", "?")) else f"{cased}."


def _origin(fact: Mapping[str, str]) -> str:
    """Return how firm a figure is and where it comes from, once."""
    status, source = fact["status"], fact["source"]
    if status == "common practice" or source.startswith(status):
        return status
    return f"{status}: {source}"


def _linked(text: str) -> Markup:
    """Return escaped text whose web addresses can be followed."""
    parts: list[str] = []
    end = 0
    for found in _URL.finditer(text):
        url = escape(found.group())
        parts += [escape(text[end : found.start()]), _LINK.format(url=url, colour=LIGHT["link"])]
        end = found.end()
    return Markup("").join([*parts, escape(text[end:])])


def tidy(text: str) -> str:
    """Return plain text without the gaps that templates leave."""
    lines = "\n".join(line.rstrip() for line in text.splitlines())
    return re.sub(r"\n{3,}", "\n\n", lines).strip() + "\n"


def squeezed(markup: str) -> str:
    """Return markup without the empty lines that templates leave."""
    return re.sub(r"\n\s*\n+", "\n", markup).strip() + "\n"
