"""The mouth as a ring of roots: each root a ray, its bone drawn to scale from tip to level.

The layout is our own: teeth stand around an oval as seen from the front of the animal, upper
jaw above, the patient's right on the left. A root is a ray pointing outward; its shaded part
is root still in bone, the open part what bone has left, a whisker one SD. The stage stands as
a digit on the ring.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

from perioview.bone_loss import Site
from perioview.measurement import percent_text
from perioview.record.colours import BLACK, GREY, STAGE, WHITE, Colour
from perioview.teeth import Tooth, teeth

SIZE = 1000
_CENTRE = (500.0, 500.0)
_RING = (300.0, 300.0)
_ROOT = 130.0
BONE: Colour = (165, 150, 120)

XY = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Shape:
    """A polygon, a line or a text in a square of `SIZE`; `tooth` for clicks and titles."""

    kind: str
    points: tuple[XY, ...]
    fill: Colour | None = None
    stroke: Colour | None = None
    width: float = 1.0
    text: str = ""
    size: int = 16
    tooth: int | None = None
    title: str = ""
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class ToothView:
    """What the map shows of one tooth."""

    stage: str | None = None
    borderline: bool = False
    status: str = ""
    sites: tuple[Site, ...] = field(default_factory=tuple)


def _angle(of: Tooth, place: int, count: int) -> float:
    """Place a tooth on its quarter of the ring, front teeth at top and bottom."""
    share = (place + 0.5) / count
    gap = math.radians(7)
    quarter = math.pi / 2 - 2 * gap
    offset = gap + share * quarter
    if of.upper:
        return -math.pi / 2 - offset if of.right else -math.pi / 2 + offset
    return math.pi / 2 + offset if of.right else math.pi / 2 - offset


def _polar(angle: float, radius: float, aside: float = 0.0) -> XY:
    x = _CENTRE[0] + radius * math.cos(angle) - aside * math.sin(angle)
    y = _CENTRE[1] + radius * math.sin(angle) + aside * math.cos(angle)
    return x, y


def _ray(angle: float, start: float, end: float, aside: float, half: float) -> tuple[XY, ...]:
    return (
        _polar(angle, start, aside - half),
        _polar(angle, end, aside - half * 0.55),
        _polar(angle, end, aside + half * 0.55),
        _polar(angle, start, aside + half),
    )


def _root_shapes(
    number: int, angle: float, aside: float, half: float, sites: Sequence[Site], title: str
) -> list[Shape]:
    inner, outer = _RING[0] + 22, _RING[0] + 22 + _ROOT
    known = [s for s in sites if s.bone_loss_pct.known]
    outline = _ray(angle, inner, outer, aside, half)
    shapes = [
        Shape("polygon", outline, WHITE, GREY, 1.5, tooth=number, title=title, dashed=not known)
    ]
    if not known:
        return shapes
    worst = max(known, key=lambda s: s.bone_loss_pct.value)
    title += f"; {worst.root} root: bone loss {percent_text(worst.bone_loss_pct.value, 0)} ± "
    title += f"{worst.bone_loss_pct.sd:.0f} % ({worst.side} side)"
    shapes = [replace(shapes[0], title=title)]
    lost = min(max(worst.bone_loss_pct.value / 100, 0.0), 1.0)
    level = inner + lost * _ROOT
    share = 1 - 0.45 * lost
    covered = (
        _polar(angle, level, aside - half * share),
        outline[1],
        outline[2],
        _polar(angle, level, aside + half * share),
    )
    shapes.append(Shape("polygon", covered, BONE, BLACK, 1.5, tooth=number, title=title))
    sd = worst.bone_loss_pct.sd / 100 * _ROOT
    ends = [min(max(level + d, inner), outer) for d in (-sd, sd)]
    whisker = tuple(_polar(angle, e, aside) for e in ends)
    shapes.append(Shape("line", whisker, stroke=BLACK, width=2.5, tooth=number))
    return shapes


def _tooth_shapes(of: Tooth, angle: float, view: ToothView | None, room: float) -> list[Shape]:
    number = of.number
    marked = tuple(dict.fromkeys(s.root for s in view.sites)) if view else ()
    roots = marked or of.roots
    half = min(room / (2.4 * max(len(roots), 2)), 11.0)
    title = f"{number}, {of.words}"
    if view and view.stage:
        title += f": stage {view.stage}" + (", borderline" if view.borderline else "")
    shapes: list[Shape] = []
    gone = view is not None and view.status in ("missing", "extracted", "unerupted")
    if not gone:
        for i, root in enumerate(roots):
            aside = (i - (len(roots) - 1) / 2) * 2.3 * half
            of_root = [s for s in (view.sites if view else ()) if s.root == root]
            shapes += _root_shapes(number, angle, aside, half, of_root, title)
    stage = view.stage if view else None
    x, y = _polar(angle, _RING[0])
    r = 17.0
    steps = [2 * math.pi * k / 24 for k in range(24)]
    disc = tuple((x + r * math.cos(t), y + r * math.sin(t)) for t in steps)
    shapes.append(
        Shape(
            "polygon", disc, STAGE.get(stage, WHITE), BLACK if stage else GREY,
            3.0 if view and view.borderline else 1.2, tooth=number, title=title,
            dashed=bool(view and view.borderline),
        )
    )  # fmt: skip
    sign = {"missing": "–", "extracted": "×", "unerupted": "∪"}
    label = sign.get(view.status, "") if gone and view else (stage or "")
    dark = stage == "4"
    if label:
        shapes.append(
            Shape("text", ((x, y),), WHITE if dark else BLACK, text=label, size=15, tooth=number)
        )
    shapes.append(
        Shape(
            "text", (_polar(angle, _RING[0] - 38),), BLACK, text=str(number), size=15, tooth=number
        )
    )
    return shapes


def mouth_shapes(species: str, views: Mapping[int, ToothView]) -> tuple[Shape, ...]:
    """Lay out the whole mouth.

    Parameters
    ----------
    species : str
        ``dog`` or ``cat``.
    views : mapping of int to ToothView
        What is known, by tooth number; other teeth are drawn open.

    Returns
    -------
    tuple of Shape
        In a square of `SIZE` units, origin top left, x to the right.
    """
    shapes: list[Shape] = []
    for quadrant in range(1, 5):
        row = sorted(
            (t for t in teeth(species) if t.number // 100 == quadrant), key=lambda t: t.number
        )
        room = _RING[0] * (math.pi / 2 - math.radians(28)) / len(row) * 1.35
        for place, of in enumerate(row):
            angle = _angle(of, place, len(row))
            shapes += _tooth_shapes(of, angle, views.get(of.number), room)
    words = (
        ((500.0, 452.0), "upper jaw ↑"),
        ((500.0, 548.0), "lower jaw ↓"),
        ((400.0, 500.0), "← right"),
        ((600.0, 500.0), "left →"),
    )
    shapes += [Shape("text", (at,), BLACK, text=text, size=16) for at, text in words]
    shapes += _legend()
    return tuple(shapes)


def _legend() -> list[Shape]:
    rows = [
        (BONE, "root in bone"),
        (WHITE, "root bone has left"),
    ]
    shapes = []
    for i, (fill, text) in enumerate(rows):
        y = 930.0 + 26 * i
        box = ((20.0, y), (44.0, y), (44.0, y + 16), (20.0, y + 16))
        shapes.append(Shape("polygon", box, fill, BLACK))
        shapes.append(Shape("text", ((54.0, y + 8),), BLACK, text=text, size=14, title="start"))
    notes = (
        "digit: stage of the tooth; dashed ring: borderline",
        "whisker: one SD; dashed root: not measured; – missing, × extracted",
    )
    for i, text in enumerate(notes):
        at = (980.0, 938.0 + 26 * i)
        shapes.append(Shape("text", (at,), BLACK, text=text, size=14, title="end"))
    return shapes


def _hex(colour: Colour | None) -> str:
    return "none" if colour is None else "#" + bytes(colour).hex()


def mouth_svg(shapes: Sequence[Shape]) -> str:
    """Write the map as SVG, each tooth titled for screen readers."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE} {SIZE}" role="img" '
        'aria-label="Map of the mouth: bone level of every root and stage of every tooth" '
        'font-family="DejaVu Sans, sans-serif">'
    ]
    for s in shapes:
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in s.points)
        dash = ' stroke-dasharray="4 3"' if s.dashed else ""
        title = f"<title>{escape(s.title)}</title>" if s.tooth and s.title else ""
        if s.kind == "polygon":
            parts.append(
                f'<polygon points="{points}" fill="{_hex(s.fill)}" stroke="{_hex(s.stroke)}" '
                f'stroke-width="{s.width}"{dash}>{title}</polygon>'
            )
        elif s.kind == "line":
            parts.append(
                f'<polyline points="{points}" stroke="{_hex(s.stroke)}" fill="none" '
                f'stroke-width="{s.width}"/>'
            )
        else:
            anchor = s.title if s.title in ("start", "end") else "middle"
            x, y = s.points[0]
            parts.append(
                f'<text x="{x:.1f}" y="{y + s.size * 0.36:.1f}" font-size="{s.size}" '
                f'text-anchor="{anchor}" fill="{_hex(s.fill)}">{escape(s.text)}</text>'
            )
    return "\n".join([*parts, "</svg>"]) + "\n"


def mouth_picture(shapes: Sequence[Shape], scale: int = 2) -> NDArray[np.uint8]:
    """Draw the map as an sRGB array, shape (SIZE * scale, SIZE * scale, 3)."""
    from PIL import Image, ImageDraw

    from perioview.record.picture import font

    picture = Image.new("RGB", (SIZE * scale, SIZE * scale), WHITE)
    draw = ImageDraw.Draw(picture)
    for s in shapes:
        points = [(x * scale, y * scale) for x, y in s.points]
        width = max(1, round(s.width * scale))
        if s.kind == "polygon":
            draw.polygon(points, fill=s.fill)
            _outline(draw, [*points, points[0]], s.stroke, width, s.dashed)
        elif s.kind == "line":
            draw.line(points, fill=s.stroke, width=width)
        else:
            anchor = {"start": "lm", "end": "rm"}.get(s.title, "mm")
            draw.text(points[0], s.text, fill=s.fill, font=font(s.size * scale), anchor=anchor)
    return np.asarray(picture)


def _outline(
    draw: Any, points: Sequence[XY], stroke: Colour | None, width: int, dashed: bool
) -> None:
    if stroke is None:
        return
    if not dashed:
        draw.line(points, fill=stroke, width=width)
        return
    # The dashes run on round corners, so that a ring of many short edges is dashed too.
    walked, dash = 0.0, 3.0 * max(width, 3)
    for a, b in itertools.pairwise(points):
        length = math.hypot(b[0] - a[0], b[1] - a[1])
        done = 0.0
        while done < length:
            step = min(dash - (walked + done) % dash, length - done)
            if int((walked + done + step / 2) / dash) % 2 == 0:
                ends = [
                    (a[0] + (b[0] - a[0]) * f, a[1] + (b[1] - a[1]) * f)
                    for f in (done / length, (done + step) / length)
                ]
                draw.line(ends, fill=stroke, width=width)
            done += max(step, 1e-3)
        walked += length
