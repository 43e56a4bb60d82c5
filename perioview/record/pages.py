"""Pages of the PDFs: fonts, running foot, headings, paragraphs, tables."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from perioview import __version__
from perioview.record.letters import BOX, fonts_with, is_shapeless, needs_joining

FAMILY = "DejaVu"


def document() -> Any:
    """Open a PDF with the report's own fonts, other fonts where these lack a letter.

    Returns
    -------
    FPDF
        With `running` for the foot of every page, and `letter_warnings()`.
    """
    from fpdf import FPDF

    class Report(FPDF):  # type: ignore[misc,unused-ignore]
        """Pages with a running foot, in any script this computer has a font for."""

        running = ""

        def __init__(self) -> None:
            super().__init__(format="A4")
            self.without_font: dict[str, None] = {}
            self.unjoined = False
            self._known: dict[str, bool] = {}

        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(FAMILY, size=7)
            self.set_text_color(90)
            end = f"   perioview {__version__}   page {self.page_no()}/{{nb}}"
            said = self.normalize_text(self.running)
            room = self.epw - self.get_string_width(end) - 2
            if self.get_string_width(said) > room:
                while said and self.get_string_width(said + "…") > room:
                    said = said[:-1]
                said += "…"
            self.cell(0, 5, said + end)

        def normalize_text(self, text: str) -> str:
            """Text in which every letter has a font; a box stands where none has."""
            kept = (c for c in text if c in "\n\t" or not is_shapeless(c))
            return "".join(c if c.isascii() or c.isspace() or self._drawn(c) else BOX for c in kept)

        def _drawn(self, letter: str) -> bool:
            if letter not in self._known:
                self._known[letter] = self._with_font(letter)
                if needs_joining(letter):
                    self._join()
            return self._known[letter]

        def _with_font(self, letter: str) -> bool:
            loaded: list[Any] = [f for f in self.fonts.values() if hasattr(f, "cmap")]
            if any(ord(letter) in font.cmap for font in loaded):
                return True
            for path in fonts_with(letter):
                name = f"other{len(self.fonts)}"
                try:
                    self.add_font(name, fname=str(path))
                except Exception:
                    # A font file of this computer may be damaged in any way; the next one serves.
                    continue
                others = [*self._fallback_font_ids, name]
                self.set_fallback_fonts(others, exact_match=False)
                return True
            self.without_font[letter] = None
            return False

        def _join(self) -> None:
            try:
                importlib.import_module("uharfbuzz")
            except ImportError:
                self.unjoined = True
            else:
                self.set_text_shaping(True)

        def letter_warnings(self) -> tuple[str, ...]:
            """What could not be drawn as it is written, one line each."""
            said = []
            if self.without_font:
                codes = ", ".join(f"U+{ord(c):04X}" for c in self.without_font)
                said.append(
                    f"No font on this computer draws {len(self.without_font)} of the letters used "
                    f"({codes}); {BOX} stands for them. Install a font of that script."
                )
            if self.unjoined:
                said.append(
                    "Letters of a joining script stand apart; install the package uharfbuzz."
                )
            return tuple(said)

    pdf = Report()
    fonts = files("perioview") / "data" / "fonts"
    pdf.add_font(FAMILY, fname=str(fonts / "DejaVuSans.ttf"))
    pdf.add_font(FAMILY, style="B", fname=str(fonts / "DejaVuSans-Bold.ttf"))
    pdf.set_margin(15)
    pdf.set_auto_page_break(True, 16)
    pdf.set_lang("en")
    return pdf


def heading(pdf: Any, words: str, level: int = 0, room: float = 30.0) -> None:
    """Write a heading, on a new page where less than `room` mm would be left below it."""
    pdf.ln(2)
    if pdf.will_page_break(room):
        pdf.add_page()
    pdf.set_font(FAMILY, "B", 12 - level)
    pdf.set_text_color(0)
    pdf.start_section(words, level=level)
    pdf.multi_cell(0, 6.5, words, new_x="LMARGIN", new_y="NEXT", align="L")


def text(pdf: Any, words: str, size: float = 9) -> None:
    """Write a paragraph."""
    pdf.set_font(FAMILY, size=size)
    pdf.set_text_color(0)
    pdf.multi_cell(0, 5, words, new_x="LMARGIN", new_y="NEXT", align="L")


def grid(
    pdf: Any, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int]
) -> None:
    """Write a table whose head is repeated on every page; nothing without rows."""
    if not rows:
        return
    pdf.set_font(FAMILY, size=7.5)
    pdf.set_text_color(0)
    with pdf.table(
        col_widths=tuple(widths), line_height=4.4, padding=0.6, first_row_as_headings=True,
        borders_layout="HORIZONTAL_LINES", text_align="LEFT",
    ) as table:  # fmt: skip
        for cells in (head, *rows):
            row = table.row()
            for cell in cells:
                row.cell(cell)
