"""The mark on an alert that comes because somebody else stayed silent."""

from __future__ import annotations

from dataclasses import replace

from markupsafe import Markup

from alertd.delivery.message import Message
from alertd.delivery.palette import LIGHT
from alertd.delivery.render import SUBJECT_LENGTH_MAX, fill
from alertd.delivery.wording import one_line

NAME_SHOWN_MAX = 60
_LEAD = "Handed over: "
_PARAGRAPH = Markup('<p class="text" style="margin:0 0 12px;color:{colour}"><strong>{words}</strong></p>\n')
_END_OF_HEADLINE = "</h1>"


def handed_over(message: Message, silent_name: str) -> Message:
    """Return the message saying at its top that ``silent_name`` has not acknowledged it."""
    who = one_line(silent_name)[:NAME_SHOWN_MAX]
    words = f"Handed over to you: {who} has not acknowledged this alert."
    head, found, rest = message.html.partition(_END_OF_HEADLINE)
    note = _PARAGRAPH.format(colour=LIGHT["text"], words=words)
    subject = f"{_LEAD}{message.subject}"
    if len(subject) > SUBJECT_LENGTH_MAX:
        subject = f"{subject[: SUBJECT_LENGTH_MAX - 1].rstrip()}…"
    return replace(
        message,
        subject=subject,
        preview=f"{words} {message.preview}",
        text=f"{fill(words)}\n\n{message.text}",
        html=f"{head}{found}\n{note}{rest}" if found else message.html,
    )
