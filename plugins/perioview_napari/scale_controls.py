"""The scale in the window: what holds, how sure, and two ways to give another."""

from __future__ import annotations

from itertools import pairwise

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import (
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.marking_round import RoundState, Step
from perioview.marks import Marks

REMOVE_RULER = "Remove ruler"
UNSURE = ("imager_pixel_spacing", "pixel_spacing")
HINT = "Distances of the band edges you will click, in mm,\nfrom one end of the probe"
LENGTH_HINT = "Length in mm between the two points you will click"


class ScaleControls(QWidget):
    """Shows the scale; asks for a ruler's distances or for mm per pixel."""

    ruler_given = Signal(str)
    ruler_unwanted = Signal()
    scale_given = Signal(float)

    def __init__(self) -> None:
        super().__init__()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        self.words = QLabel("")
        self.words.setWordWrap(True)
        column.addWidget(self.words)
        row = QHBoxLayout()
        for text, action in (
            ("Length…", self._ask_for_length),
            ("Probe…  F12", self.ask_for_bands),
            ("mm per pixel…", self._ask_for_scale),
        ):
            button = QPushButton(text)
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.clicked.connect(action)
            row.addWidget(button)
        column.addLayout(row)
        self.remove = QPushButton(REMOVE_RULER)
        self.remove.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.remove.setToolTip(
            "Take away the length or probe that was clicked last, or is selected"
        )
        self.remove.clicked.connect(lambda _=False: self.ruler_unwanted.emit())
        column.addWidget(self.remove)

    def show_scale(self, scale: Calibration | None) -> None:
        """Say the scale in words, and offer to take a ruler away where one holds."""
        self.words.setText("" if scale is None else scale_words(scale))
        self.remove.setVisible(scale is not None and scale.method == "ruler")

    def _ask_for_length(self) -> None:
        length, given = QInputDialog.getDouble(
            self, "Scale from a known length", LENGTH_HINT, 10.0, 0.1, 300.0, 2
        )
        if given:
            self.ruler_given.emit(f"0 {length:g}")

    def ask_for_bands(self) -> None:
        """Ask for the distances of the bands that will be clicked."""
        text, given = QInputDialog.getText(self, "Scale from a probe", HINT, text="0 3 6 9 12")
        if given:
            self.ruler_given.emit(text)

    def _ask_for_scale(self) -> None:
        number, given = QInputDialog.getDouble(
            self,
            "Scale",
            "mm per pixel (column spacing); 0 goes back to ruler and file",
            0.02,
            0.0,
            10.0,
            6,
        )
        if given:
            self.scale_given.emit(number)


def ruler_steps(distances: str, label: str = "") -> tuple[Step, ...]:
    """Read the distances of a ruler's edges as a person types them.

    Raises
    ------
    InputRefused
        If there are fewer than two, one is no number, or they do not increase.
    """
    try:
        read = [float(part) for part in distances.replace(";", " ").split()]
    except ValueError as fault:
        raise InputRefused(
            f"ruler: '{distances}' holds something that is no number; write 0 3 6 9 12."
        ) from fault
    if len(read) < 2 or any(b <= a for a, b in pairwise(read)):
        raise InputRefused(f"ruler: '{distances}' must be two or more increasing distances in mm.")
    return tuple(Step("ruler", mm=d, object=label) for d in read)


def free_label(marks: Marks) -> str:
    """Return a name no ruler of these marks has: a second ruler does not mix with the first."""
    taken = {m.object for m in marks.of(landmark="ruler")}
    if "" not in taken:
        return ""
    return next(str(n) for n in range(2, 1000) if str(n) not in taken)


def ruler_in_hand(state: RoundState) -> str | None:
    """Return the name of the ruler being clicked or selected, else of the latest one."""
    clicked = list(state.marks.rulers())
    cursor = state.cursor
    asked = cursor.object if cursor is not None and cursor.landmark == "ruler" else None
    # One only asked for gives way: it may be meant to replace the one before.
    return clicked[-1] if clicked and asked not in clicked else asked


def ruler_name(state: RoundState, label: str) -> str:
    """Name a ruler by what was clicked, or asked for, of it."""
    clicked = {m.mm or 0.0 for m in state.marks.rulers().get(label, ())}
    asked = {s.mm or 0.0 for s in state.extra if s.landmark == "ruler" and s.object == label}
    edges = sorted(clicked | asked)
    if len(edges) == 2:
        return f"the length of {edges[1] - edges[0]:g} mm"
    return f"the probe at {' '.join(f'{e:g}' for e in edges)} mm"


def window_words(text: str) -> str:
    """Say a message of the core without the options of the command line, which nobody sees here."""
    return text.replace("--mm-per-px", "mm per pixel")


METHODS = {
    "given": "as it was typed",
    "ruler": "from the ruler that was clicked",
    "pixel_spacing_calibrated": "from the file, calibrated",
    "pixel_spacing": "from the file, which does not say where it holds",
    "imager_pixel_spacing_demagnified": "from the file, for the tooth itself",
    "imager_pixel_spacing": "from the file, for the detector and not the tooth",
}


def scale_gist(scale: Calibration) -> str:
    """Say the scale in one line."""
    if not scale.scaled:
        return "none, percentages only"
    warning = "⚠ " if scale.method in UNSURE else ""
    return f"{warning}{scale.col_mm:.4f} mm per pixel ± {100 * (scale.relative_sd or 0.0):.1f} %"


def scale_words(scale: Calibration) -> str:
    """Say the scale, its SD and how far to trust it."""
    if not scale.scaled:
        return window_words("No scale: percentages only. " + " ".join(scale.notes))
    sd = 100 * (scale.relative_sd or 0.0)
    method = METHODS.get(scale.method, scale.method.replace("_", " "))
    words = f"{scale.col_mm:.4f} mm per pixel ± {sd:.1f} %, {method}."
    warning = "⚠ Lengths may be a few percent off. " if scale.method in UNSURE else ""
    notes = " ".join(note[:1].upper() + note[1:] for note in scale.notes)
    return window_words(f"{warning}{words} {notes}".strip())
