"""How well an observer repeats a mark: table and plot, and the profile that is kept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from qtpy.QtCore import Qt
from qtpy.QtGui import QFontDatabase, QPixmap
from qtpy.QtWidgets import QDialog, QLabel, QPushButton, QScrollArea, QVBoxLayout, QWidget

from perioview.calibration import Calibration
from perioview.errors import InputRefused
from perioview.marks import Marks
from perioview.repeat_marking import RepeatFiles
from perioview.repeatability import Repeats, judged_repeats


class ResultView(QWidget):
    """Plot and table under each other, and a button that shows both in full size.

    Parameters
    ----------
    say : callable
        Shows where the profile was kept.
    """

    def __init__(self, say: Callable[[str], None]) -> None:
        super().__init__()
        self.say = say
        self._pixels = QPixmap()
        self.table = QLabel("")
        self.table.setFont(QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont))
        self.table.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.picture = QLabel("")
        self.larger = QPushButton("Plot and table in a window of their own")
        self.larger.clicked.connect(self.enlarge)
        self.larger.setEnabled(False)
        inner = QWidget()
        found = QVBoxLayout(inner)
        found.addWidget(self.picture)
        found.addWidget(self.table)
        found.addStretch()
        area = QScrollArea()
        area.setWidget(inner)
        area.setWidgetResizable(True)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addWidget(area, 1)
        box.addWidget(self.larger)

    def show_result(self, files: RepeatFiles, done: tuple[Marks, ...], scale: Calibration) -> None:
        """Show table and plot of these passes and save the observer's profile.

        Raises
        ------
        InputRefused
            If the passes share no mark, or the folder cannot be written.
        """
        from perioview.files.atomic import write_atomically
        from perioview.repeatability_plot import repeatability_plot
        from perioview.repeatability_profile import profile_object, profile_table, profile_text

        found: Repeats = judged_repeats(done, scale)
        if not found.landmarks:
            raise InputRefused(f"{files.marks(1).name}: the passes share no mark; mark again.")
        result = profile_object(found.landmarks, found.judged)
        picture = repeatability_plot(found.sites, found.landmarks, found.judged)
        write_atomically(files.profile, profile_text(result).encode())
        write_atomically(files.plot, picture)
        pixels = QPixmap()
        pixels.loadFromData(picture)
        smooth = Qt.TransformationMode.SmoothTransformation
        self.picture.setPixmap(pixels.scaledToWidth(max(300, self.width() - 50), smooth))
        self.table.setText("\n".join(profile_table(result, len(done))))
        self._pixels = pixels
        self.larger.setEnabled(True)
        self.say(f"Saved. Use it with: --mark-sd {_shown(files.profile)}")

    def enlarge(self) -> None:
        """Show plot and table in full size."""
        window = QDialog(self)
        window.setWindowTitle("How well you repeat a mark")
        box = QVBoxLayout(window)
        picture, table = QLabel(), QLabel(self.table.text())
        picture.setPixmap(self._pixels)
        table.setFont(self.table.font())
        box.addWidget(picture)
        box.addWidget(table)
        window.show()


def _shown(path: Path) -> str:
    """Short form of a path: the visit's folder and what lies in it."""
    return str(Path(*path.parts[-3:]))
