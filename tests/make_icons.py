"""Draw the program's icons (a tool for developers): `python tests/make_icons.py` writes static/img/icon-*.png.

The drawing is that of static/img/icon.svg, in units of its 32 by 32 squares: a part between two rails, with the lead
that goes through it. What may be cut to any shape keeps to the inner four fifths (the safe zone of a maskable icon: a
circle of 40 % of the width, as W3C's manifest has it), on a ground that fills the square.
"""

from __future__ import annotations

from pathlib import Path

from PIL import Image, ImageDraw

FOLDER = Path(__file__).resolve().parents[1] / "static" / "img"
GROUND, BODY, LINE, DOT = "#1c4a3a", "#2f6e57", "#e3eae2", "#f0a76d"
FINER = 4  # drawn so many times larger and made smaller, for smooth edges


def drawn(pixels: int, share: float) -> Image.Image:
    """The icon on a square of so many pixels; the drawing takes a share of its width."""
    side = pixels * FINER
    image = Image.new("RGB", (side, side), GROUND)
    pen = ImageDraw.Draw(image)
    unit, edge = side * share / 32, side * (1 - share) / 2

    def box(left: float, top: float, right: float, bottom: float, colour: str) -> None:
        pen.rectangle(
            [edge + left * unit, edge + top * unit, edge + right * unit, edge + bottom * unit], colour
        )

    def dot(radius: float, colour: str) -> None:
        middle = side / 2
        pen.ellipse(
            [middle - radius * unit, middle - radius * unit, middle + radius * unit, middle + radius * unit],
            colour,
        )

    box(9, 9, 23, 23, BODY)
    for x in (9, 23):
        box(x - 1, 6, x + 1, 26, LINE)
    box(2, 15, 30, 17, LINE)
    dot(5.5, GROUND)
    dot(3.5, DOT)
    return image.resize((pixels, pixels), Image.Resampling.LANCZOS).quantize(32)


def main() -> None:
    """Writes all of them."""
    for pixels in (192, 512):
        drawn(pixels, 1.0).save(FOLDER / f"icon-{pixels}.png", optimize=True)
        drawn(pixels, 0.62).save(FOLDER / f"icon-maskable-{pixels}.png", optimize=True)
    drawn(180, 0.86).save(FOLDER / "icon-apple-180.png", optimize=True)


if __name__ == "__main__":
    main()
