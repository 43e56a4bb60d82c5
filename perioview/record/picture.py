"""A radiograph with its marks and values drawn over it, for programs that show nothing else."""

from __future__ import annotations

import io
from collections.abc import Iterable
from functools import cache
from importlib.resources import as_file, files
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from perioview.image import display
from perioview.measurement import percent_text
from perioview.record.colours import BLACK, GREEN, LANDMARK, SKY, WHITE, YELLOW, Colour
from perioview.visit import Radiograph

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

Point = tuple[float, float]
LONG_SIDE = 1600


@cache
def font(size: int, bold: bool = False) -> FreeTypeFont:
    """The report's own font at a size in px."""
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    with as_file(files("perioview") / "data" / "fonts" / name) as path:
        return ImageFont.truetype(io.BytesIO(path.read_bytes()), size)


class _Canvas:
    """Draws in image coordinates (row, col) on an enlarged or reduced picture."""

    def __init__(self, pixels: NDArray[np.uint8], ratio: float) -> None:
        from PIL import Image, ImageDraw

        rows, cols = pixels.shape[:2]
        self.zoom = LONG_SIDE / max(rows * ratio, cols)
        self.ratio = ratio
        size = (round(cols * self.zoom), round(rows * ratio * self.zoom))
        self.picture = Image.fromarray(pixels).resize(size, Image.Resampling.LANCZOS).convert("RGB")
        self.draw: Any = ImageDraw.Draw(self.picture)
        self.taken: list[tuple[float, float, float, float]] = []

    def at(self, point: Point) -> tuple[float, float]:
        row, col = point
        return (col + 0.5) * self.zoom, (row + 0.5) * self.ratio * self.zoom

    def line(self, a: Point, b: Point, colour: Colour, width: int = 3) -> None:
        ends = [self.at(a), self.at(b)]
        self.draw.line(ends, fill=BLACK, width=width + 3)
        self.draw.line(ends, fill=colour, width=width)

    def mark(self, point: Point, colour: Colour) -> None:
        x, y = self.at(point)
        self.taken.append((x - 8, y - 8, x + 8, y + 8))
        self.draw.ellipse((x - 8, y - 8, x + 8, y + 8), outline=BLACK, width=5)
        self.draw.ellipse((x - 7, y - 7, x + 7, y + 7), outline=colour, width=3)
        self.draw.point((x, y), fill=colour)

    def chip(self, point: Point, text: str, colour: Colour = WHITE, toward: float = 1.0) -> None:
        """A label on a dark backing, moved until it covers no other."""
        x, y = self.at(point)
        left, top, right, bottom = self.draw.textbbox((0, 0), text, font=font(22))
        wide, high = right - left + 12, bottom - top + 10
        x = x + 16 if toward > 0 else x - wide - 16
        x = min(max(x, 2), self.picture.width - wide - 2)
        y = min(max(y - high / 2, 2), self.picture.height - high - 2)
        for step in range(1, 40):
            box = (x, y, x + wide, y + high)
            if all(not _overlap(box, other) for other in self.taken):
                break
            y += (high + 3) * step * (1 if step % 2 else -1)
            y = min(max(y, 2), self.picture.height - high - 2)
        self.taken.append((x, y, x + wide, y + high))
        self.draw.rectangle((x, y, x + wide, y + high), fill=(15, 15, 15), outline=colour)
        self.draw.text((x + 6 - left, y + 5 - top), text, font=font(22), fill=WHITE)


def _overlap(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _cej_lines(canvas: _Canvas, radiograph: Radiograph) -> None:
    from perioview.bone_loss import cej_line

    for number in radiograph.marks.teeth():
        cejs = radiograph.marks.of(tooth=number, landmark="cej")
        pair = cej_line(cejs, radiograph.calibration.pitch)
        if pair:
            a, b = ((m.row, m.col) for m in pair)
            canvas.line(a, b, SKY)


def _bone_level(
    canvas: _Canvas, radiograph: Radiograph, axis: tuple[Point, Point], mark: Any
) -> None:
    """A thin line from a bone mark square onto the root axis."""
    pitch = np.array(radiograph.calibration.pitch)
    start, end, bone = (np.array(p) * pitch for p in (*axis, (mark.row, mark.col)))
    along = (end - start) / np.linalg.norm(end - start)
    foot = (start + along * ((bone - start) @ along)) / pitch
    canvas.line((mark.row, mark.col), (float(foot[0]), float(foot[1])), LANDMARK[mark.landmark], 2)


def _scale_bar(canvas: _Canvas, radiograph: Radiograph) -> None:
    col_mm = radiograph.calibration.col_mm
    if col_mm is None:
        return
    length = 5 / col_mm * canvas.zoom
    y = canvas.picture.height - 24
    canvas.draw.line([(24, y), (24 + length, y)], fill=BLACK, width=9)
    canvas.draw.line([(24, y), (24 + length, y)], fill=WHITE, width=5)
    canvas.draw.text(
        (24, y - 34), "5 mm", font=font(22), fill=WHITE, stroke_width=3, stroke_fill=BLACK
    )


def annotated(radiograph: Radiograph) -> NDArray[np.uint8]:
    """The radiograph with CEJ line, root axes, bone levels, marks and percentages.

    Parameters
    ----------
    radiograph : Radiograph

    Returns
    -------
    ndarray of uint8, shape (rows, cols, 3)
        sRGB, square pixels, long side 1600 px. The original is not changed.
    """
    canvas = _Canvas(display(radiograph.image), radiograph.calibration.ratio)
    _cej_lines(canvas, radiograph)
    marks = radiograph.marks
    for site in radiograph.sites:
        if site.axis:
            canvas.line(*site.axis, YELLOW, 2)
            for kind in ("crest", "defect_base"):
                for m in marks.of(tooth=site.tooth, root=site.root, side=site.side, landmark=kind):
                    _bone_level(canvas, radiograph, site.axis, m)
    for ruler in marks.rulers().values():
        if len(ruler) > 1:
            canvas.line((ruler[0].row, ruler[0].col), (ruler[-1].row, ruler[-1].col), GREEN, 2)
    for m in marks:
        canvas.mark((m.row, m.col), LANDMARK[m.landmark])
    for label, ruler in marks.rulers().items():
        canvas.chip((ruler[0].row, ruler[0].col), f"ruler {label}".strip(), GREEN)
    for site in radiograph.sites:
        _site_chip(canvas, radiograph, site)
    for tooth in radiograph.teeth:
        _tooth_chip(canvas, radiograph, tooth)
    _scale_bar(canvas, radiograph)
    return np.asarray(canvas.picture)


def _site_chip(canvas: _Canvas, radiograph: Radiograph, site: Any) -> None:
    if not site.bone_loss_pct.known:
        return
    which = {"tooth": site.tooth, "root": site.root, "side": site.side}
    level = radiograph.marks.of(**which, landmark="defect_base") or radiograph.marks.of(
        **which, landmark="crest"
    )
    toward = 1.0
    if site.axis:
        toward = 1.0 if level[0].col >= site.axis[0][1] else -1.0
    text = f"{percent_text(site.bone_loss_pct.value, 0)} ± {site.bone_loss_pct.sd:.0f} %"
    canvas.chip((level[0].row, level[0].col), text, LANDMARK["crest"], toward)


def _tooth_chip(canvas: _Canvas, radiograph: Radiograph, tooth: Any) -> None:
    cejs = radiograph.marks.of(tooth=tooth.tooth, landmark="cej")
    apices = radiograph.marks.of(tooth=tooth.tooth, landmark="apex")
    if not cejs:
        return
    row = sum(m.row for m in cejs) / len(cejs)
    col = sum(m.col for m in cejs) / len(cejs)
    if apices:
        up = sum(m.row for m in apices) / len(apices) < row
        row += (90 if up else -90) / canvas.zoom / canvas.ratio
    stage = tooth.radiographic_stage
    text = f"{tooth.tooth}: stage {stage}" if stage else f"{tooth.tooth}: not staged"
    canvas.chip((row, col), text + (" (borderline)" if tooth.borderline else ""), WHITE)


def png(pixels: NDArray[np.uint8]) -> bytes:
    """Encode a picture as PNG."""
    from PIL import Image

    out = io.BytesIO()
    # Level 1: a fifth of the time for a tenth more bytes.
    Image.fromarray(pixels).save(out, "PNG", compress_level=1)
    return out.getvalue()


def jpeg(pixels: NDArray[np.uint8], quality: int = 88) -> bytes:
    """Encode a picture as JPEG, for the PDF's size."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=quality)
    return out.getvalue()


def file_names(radiographs: Iterable[Radiograph]) -> dict[str, str]:
    """Name of each radiograph's picture in the record folder."""
    return {r.file: f"{r.image.name}.measured.png" for r in radiographs}
