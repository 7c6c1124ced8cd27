"""One rendering of an alert for all its readers: only the name and the links differ from copy to copy."""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

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
_SPLIT = re.compile(f"({_MARKS.pattern})")
_Key = tuple[str, str, str, str, UnitSystem, StopNotice]


@dataclass(frozen=True, slots=True)
class _Pattern:
    """A message with marks where copies differ: its HTML cut at the marks, its text into paragraphs."""

    message: Message
    html: Sequence[str]
    paragraphs: Sequence[tuple[str, bool]]
    """Each with whether it holds a mark."""

    @classmethod
    def of(cls, message: Message) -> _Pattern:
        """Cut a message into what all copies share and what they do not."""
        paragraphs = [
            (one, _MARKS.search(one) is not None) for one in message.text.rstrip("\n").split("\n\n")
        ]
        return cls(message, _SPLIT.split(message.html), paragraphs)

    def filled(self, words: Mapping[str, str]) -> Message:
        """Return the message with the words in place of the marks and those paragraphs broken anew."""
        in_html = {mark: str(escape(text)) for mark, text in words.items()}
        html = "".join(in_html.get(piece, piece) for piece in self.html)
        paragraphs = [
            fill(_MARKS.sub(lambda found: words[found.group()], one)) if differs else one
            for one, differs in self.paragraphs
        ]
        return replace(self.message, text="\n\n".join(paragraphs) + "\n", html=html)


class SharedRendering:
    """Renders each alert once per units and puts each reader's name and links in; for one thread."""

    def __init__(self) -> None:
        self._kept: OrderedDict[_Key, _Pattern] = OrderedDict()

    def message(self, alert: Alert, site: Site, reader: Subscriber, stop: StopNotice) -> Message:
        """Return the same message that ``render`` returns."""
        words = {_NAME: one_line(reader.name)}
        words |= {mark: str(getattr(stop, name)) for name, mark in _URLS.items() if getattr(stop, name)}
        return self._pattern(alert, site, reader, stop).filled(words)

    def _pattern(self, alert: Alert, site: Site, reader: Subscriber, stop: StopNotice) -> _Pattern:
        given = {name: mark for name, mark in _URLS.items() if getattr(stop, name) is not None}
        marked = StopNotice(stop.address, **given)
        key = (alert.id, site.id, site.name, site.zone, reader.units, marked)
        found = self._kept.get(key)
        if found is None:
            found = _Pattern.of(render(alert, site, replace(reader, name=_NAME), marked))
            self._kept[key] = found
            if len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return found
