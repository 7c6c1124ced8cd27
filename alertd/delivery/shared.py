"""One rendering of an alert for all its readers: only the name and the links differ from copy to copy."""

from __future__ import annotations

import re
from collections import OrderedDict
from dataclasses import replace

from markupsafe import escape

from alertd.delivery.message import Message, StopNotice
from alertd.delivery.render import fill, render
from alertd.delivery.wording import one_line
from alertd.records.alert import Alert
from alertd.records.site import Site, Subscriber, UnitSystem

KEPT = 64
_NAME = "Zz7readerzZ"
_URLS = {
    "url": "https://zz7stop.invalid/",
    "seen_url": "https://zz7seen.invalid/",
    "snooze_url": "https://zz7snooze.invalid/",
}
_MARKS = re.compile("|".join(re.escape(mark) for mark in (_NAME, *_URLS.values())))
_Key = tuple[str, str, str, str, UnitSystem, StopNotice]


class SharedRendering:
    """Renders each alert once per units and puts each reader's name and links in; for one thread."""

    def __init__(self) -> None:
        self._kept: OrderedDict[_Key, Message] = OrderedDict()

    def message(self, alert: Alert, site: Site, reader: Subscriber, stop: StopNotice) -> Message:
        """Return the same message that ``render`` returns."""
        pattern = self._pattern(alert, site, reader, stop)
        words = {_NAME: one_line(reader.name)}
        words |= {mark: str(getattr(stop, name)) for name, mark in _URLS.items() if getattr(stop, name)}
        html = _MARKS.sub(lambda found: str(escape(words[found.group()])), pattern.html)
        return replace(pattern, text=_filled_in(pattern.text, words), html=html)

    def _pattern(self, alert: Alert, site: Site, reader: Subscriber, stop: StopNotice) -> Message:
        given = {name: mark for name, mark in _URLS.items() if getattr(stop, name) is not None}
        marked = StopNotice(stop.address, **given)
        key = (alert.id, site.id, site.name, site.zone, reader.units, marked)
        found = self._kept.get(key)
        if found is None:
            found = self._kept[key] = render(alert, site, replace(reader, name=_NAME), marked)
            if len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return found


def _filled_in(text: str, words: dict[str, str]) -> str:
    """Return the text with the marks replaced and their paragraphs broken into lines anew."""
    paragraphs = text.rstrip("\n").split("\n\n")
    return "\n\n".join(_paragraph(one, words) for one in paragraphs) + "\n"


def _paragraph(paragraph: str, words: dict[str, str]) -> str:
    if not _MARKS.search(paragraph):
        return paragraph
    written = _MARKS.sub(lambda found: words[found.group()], paragraph)
    return fill(written)
