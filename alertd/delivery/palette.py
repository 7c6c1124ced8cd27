"""The colours of emails and charts; every pair of text on ground holds 4.5:1 (WCAG 2.2, 1.4.3)."""

from __future__ import annotations

from types import MappingProxyType

LIGHT = MappingProxyType({
    "page": "#eef0eb",
    "card": "#ffffff",
    "text": "#1d231f",
    "muted": "#4a544d",
    "link": "#0b5d3b",
    "rule": "#d5dad3",
    "note_ground": "#e7efe9",
    "none_ground": "#dcefe3",
    "none_text": "#0d4f2b",
    "watch_ground": "#fdf0bd",
    "watch_text": "#574000",
    "high_ground": "#ffdfc7",
    "high_text": "#742b00",
    "severe_ground": "#fbd3d3",
    "severe_text": "#7a0f0f",
})  # fmt: skip
DARK = MappingProxyType({
    "page": "#101310",
    "card": "#1b201d",
    "text": "#e8ece8",
    "muted": "#b3bdb5",
    "link": "#86d9ab",
    "rule": "#39423b",
    "note_ground": "#26302a",
    "none_ground": "#173d28",
    "none_text": "#bfeacf",
    "watch_ground": "#453709",
    "watch_text": "#fbe7a0",
    "high_ground": "#552708",
    "high_text": "#ffd2b0",
    "severe_ground": "#5a1717",
    "severe_text": "#ffcaca",
})  # fmt: skip
TEXT_ON_GROUND = (
    ("text", "page"),
    ("text", "card"),
    ("muted", "page"),
    ("muted", "card"),
    ("link", "page"),
    ("link", "card"),
    ("text", "note_ground"),
    ("none_text", "none_ground"),
    ("watch_text", "watch_ground"),
    ("high_text", "high_ground"),
    ("severe_text", "severe_ground"),
)
