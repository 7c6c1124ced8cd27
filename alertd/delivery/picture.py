"""A sheet to draw boxes and writing on, saved as a small PNG.

Boxes lie on whole pixels and FreeType smooths the letters, so nothing has to be drawn large and made small.
The same drawing gives the same bytes.
"""

from __future__ import annotations

import functools
import io
from bisect import bisect_right
from collections.abc import Sequence
from importlib.resources import files

from PIL import Image, ImageColor, ImageDraw, ImageFont

SHADES = 9
REGULAR, BOLD = "Regular", "Semibold"


@functools.cache
def _font(weight: str, size_px: int) -> ImageFont.FreeTypeFont:
    """Return Source Sans, whose letters stay open and distinct at the size a phone shows them."""
    folder = files("font_source_sans_pro") / "files"
    letters = io.BytesIO((folder / f"SourceSansPro-{weight}.ttf").read_bytes())
    return ImageFont.truetype(letters, size_px, layout_engine=ImageFont.Layout.BASIC)


@functools.lru_cache(maxsize=256)
def _letters(text: str, weight: str, size_px: int, anchor: str) -> tuple[Image.Image | None, int, int]:
    """Return a line as a mask, None if it is empty, and where its corner lies from the point it hangs on.

    Days, numbers and headings come again in every picture, and are half its cost.
    """
    font = _font(weight, size_px)
    left, top, right, bottom = (round(edge) for edge in font.getbbox(text, anchor=anchor))
    if right <= left or bottom <= top:
        return None, 0, 0
    mask = Image.new("L", (right - left, bottom - top))
    ImageDraw.Draw(mask).text((-left, -top), text, fill=255, font=font, anchor=anchor)
    return mask, left, top


def shortened(text: str, size_px: int, width_px: float) -> str:
    """Return the text, or its beginning with dots, so that it is no wider than ``width_px``."""
    font = _font(REGULAR, size_px)
    beginning = text[: round(width_px)]  # a letter is wider than a pixel, and a name may be a book
    if beginning == text and font.getlength(text) <= width_px:
        return text
    widest = bisect_right(range(len(beginning)), width_px, key=lambda n: font.getlength(f"{beginning[:n]}…"))
    return f"{beginning[: max(widest - 1, 0)].rstrip(' ,')}…"


@functools.cache
def _palette(colours: tuple[str, ...], written: tuple[tuple[str, str], ...]) -> Image.Image:
    """Return an image that carries the colours, and the shades between each writing and its ground."""
    wanted = [ImageColor.getrgb(colour) for colour in colours]
    for ink, ground in written:
        one, other = ImageColor.getrgb(ink), ImageColor.getrgb(ground)
        for shade in range(SHADES + 1):
            part = shade / SHADES
            mixed = [round(a + (b - a) * part) for a, b in zip(one, other, strict=True)]
            wanted.append((mixed[0], mixed[1], mixed[2]))
    holder = Image.new("P", (1, 1))
    holder.putpalette([channel for colour in dict.fromkeys(wanted) for channel in colour[:3]])
    return holder


class Picture:
    """A white sheet; x grows to the right and y downwards, in pixels.

    ``colours`` are all that it will be filled with, ``written`` each writing with the ground below it.
    """

    def __init__(
        self, width_px: int, height_px: int, colours: Sequence[str], written: Sequence[tuple[str, str]]
    ) -> None:
        self._palette = _palette(("#ffffff", *colours), tuple(written))
        self._image = Image.new("RGB", (width_px, height_px), "#ffffff")
        self._pen = ImageDraw.Draw(self._image)

    def box(self, left: float, top: float, right: float, bottom: float, colour: str) -> None:
        """Fill a box; one thinner than a pixel is drawn a pixel thin."""
        x, y = round(left), round(top)
        self._pen.rectangle((x, y, max(round(right) - 1, x), max(round(bottom) - 1, y)), fill=colour)

    def frame(
        self, left: float, top: float, right: float, bottom: float, colour: str, line_px: int = 3
    ) -> None:
        """Draw a box with a line around its inside and white within."""
        self.box(left, top, right, bottom, colour)
        if bottom - top > 2 * line_px and right - left > 2 * line_px:
            inside = (round(left) + line_px, round(top) + line_px)
            self.box(*inside, round(right) - line_px, round(bottom) - line_px, "#ffffff")

    def dashes(self, left: float, right: float, y: float, colour: str, line_px: int = 2) -> None:
        """Draw a level line of dashes centred on ``y``."""
        top = round(y - line_px / 2)
        x = round(left)
        while x < right:
            self.box(x, top, min(x + 9, right), top + line_px, colour)
            x += 14

    def write(
        self, x: float, y: float, text: str, size_px: int, colour: str, *, anchor: str, weight: str = REGULAR
    ) -> None:
        """Write one line; ``anchor`` is Pillow's: l, m or r across, then s for the base line or m."""
        mask, left, top = _letters(text, weight, size_px, anchor)
        if mask is not None:
            self._image.paste(ImageColor.getrgb(colour), (round(x) + left, round(y) + top), mask)

    def width(self, text: str, size_px: int, weight: str = REGULAR) -> float:
        """Return how wide a line would be."""
        return _font(weight, size_px).getlength(text)

    def png(self) -> bytes:
        """Return the sheet with its colours reduced."""
        # A palette known beforehand costs a tenth of one that is looked for, and its white is white.
        reduced = self._image.quantize(palette=self._palette, dither=Image.Dither.NONE)
        out = io.BytesIO()
        reduced.save(out, format="PNG", compress_level=5)
        return out.getvalue()
