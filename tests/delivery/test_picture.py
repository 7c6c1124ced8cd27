"""A picture holds just the colours it was told of, and writing is readable on them."""

from __future__ import annotations

import io

from PIL import Image

from alertd.delivery.picture import SHADES, Picture, shortened


def seen(picture: Picture) -> Image.Image:
    return Image.open(io.BytesIO(picture.png())).convert("RGB")


def test_boxes_keep_their_very_colour_and_the_ground_is_white() -> None:
    picture = Picture(40, 20, ["#c2410c", "#fbe3cf"], [])
    picture.box(2, 2, 10, 10, "#c2410c")
    picture.box(12, 2, 20, 10, "#fbe3cf")
    image = seen(picture)
    assert image.getpixel((0, 0)) == (255, 255, 255)
    assert image.getpixel((2, 2)) == image.getpixel((9, 9)) == (0xC2, 0x41, 0x0C)
    assert image.getpixel((10, 10)) == (255, 255, 255)
    assert image.getpixel((15, 5)) == (0xFB, 0xE3, 0xCF)


def test_a_box_without_height_is_still_seen_and_a_frame_is_white_within() -> None:
    picture = Picture(40, 20, ["#2563a8"], [])
    picture.box(0, 5, 10, 5.2, "#2563a8")
    picture.frame(20, 2, 36, 18, "#2563a8")
    image = seen(picture)
    assert image.getpixel((5, 5)) == (0x25, 0x63, 0xA8)
    assert image.getpixel((20, 10)) == image.getpixel((22, 10)) == (0x25, 0x63, 0xA8)
    assert image.getpixel((23, 10)) == (255, 255, 255)


def test_letters_are_smoothed_and_dark_within() -> None:
    picture = Picture(120, 40, [], [("#000000", "#ffffff")])
    picture.write(4, 30, "lll", 27, "#000000", anchor="ls")
    greys = {pixel[0] for _count, pixel in seen(picture).getcolors() or []}  # type: ignore[index]
    assert min(greys) <= 255 / SHADES
    assert len(greys) > 3


def test_a_name_is_cut_where_the_sheet_ends() -> None:
    assert shortened("short", 25, 600) == "short"
    cut = shortened("Horticultural oil, in leaf, and more and more and more", 25, 300)
    assert cut.endswith("…")
    assert len(shortened("m" * 100_000, 25, 300)) < 40
