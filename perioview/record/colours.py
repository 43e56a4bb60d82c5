"""Colours that stay apart for colour-blind eyes and in grey print.

Okabe & Ito 2008, "Color Universal Design": the eight-colour set (values from memory).
"""

from __future__ import annotations

Colour = tuple[int, int, int]

BLACK: Colour = (0, 0, 0)
WHITE: Colour = (255, 255, 255)
ORANGE: Colour = (230, 159, 0)
SKY: Colour = (86, 180, 233)
GREEN: Colour = (0, 158, 115)
YELLOW: Colour = (240, 228, 66)
BLUE: Colour = (0, 114, 178)
VERMILION: Colour = (213, 94, 0)
PURPLE: Colour = (204, 121, 167)
GREY: Colour = (120, 120, 120)

LANDMARK: dict[str, Colour] = {
    "cej": SKY,
    "crest": ORANGE,
    "defect_base": VERMILION,
    "furcation": PURPLE,
    "apex": YELLOW,
    "ruler": GREEN,
}
# Darker is worse, so that grey print keeps the order; the stage's own digit stands beside it.
STAGE: dict[str | None, Colour] = {
    None: (255, 255, 255),
    "0": (235, 240, 244),
    "1": (214, 226, 236),
    "0-1": (224, 233, 240),
    "2": (160, 195, 222),
    "3": (70, 130, 180),
    "4": (20, 60, 110),
}
