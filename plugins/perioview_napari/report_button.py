"""Makes the report of a visit from within the window, and opens it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import QUrl
from qtpy.QtGui import QDesktopServices
from qtpy.QtWidgets import QHBoxLayout, QLabel, QMessageBox, QPushButton, QVBoxLayout, QWidget

from perioview.errors import InputRefused
from perioview_napari.docking import unsaved_beside
from perioview_napari.work import in_background


class ReportButton(QWidget):
    """A button that measures a visit and writes its record folder, as ``perioview report`` does.

    Parameters
    ----------
    visit : callable
        Returns the visit folder and the number of open points, or None.
    """

    def __init__(self, visit: Callable[[], tuple[Path, int] | None]) -> None:
        super().__init__()
        self.visit = visit
        self.pdf: Path | None = None
        self.worker: Any = None
        self.make = QPushButton("Make the report")
        self.make.clicked.connect(self.write)
        self.show_it = QPushButton("Open the PDF")
        self.show_it.setEnabled(False)
        self.show_it.clicked.connect(self.open_pdf)
        self.message = QLabel("")
        self.message.setWordWrap(True)
        row = QHBoxLayout()
        row.addWidget(self.make)
        row.addWidget(self.show_it)
        box = QVBoxLayout(self)
        box.setContentsMargins(0, 0, 0, 0)
        box.addLayout(row)
        box.addWidget(self.message)

    def write(self) -> None:
        """Write the report beside the window, and say where it lies."""
        asked = self.visit()
        if asked is None:
            self.message.setText("Open a visit first.")
            return
        folder, gaps = asked
        if not self._without_unsaved(folder):
            self.message.setText("No report was made: marks are not saved.")
            return
        record = folder / "record"

        def written(count: int) -> None:
            self.make.setEnabled(True)
            self.show_it.setEnabled(True)
            self.pdf = record / "report.pdf"
            still = f" {gaps} points were still open; it lists them." if gaps else ""
            if gaps == 1:
                still = " 1 point was still open; the report names it."
            done = f"{count} files written into {folder.name}/record.{still}"
            self.message.setText(done + _unread_words(folder))

        def refused(fault: str) -> None:
            self.make.setEnabled(True)
            self.message.setText(fault)

        self.make.setEnabled(False)
        self.show_it.setEnabled(False)
        self.message.setText("measuring and writing the report…")
        self.worker = in_background(lambda: made(folder, record), written, refused)

    def _without_unsaved(self, folder: Path) -> bool:
        """Ask, where marks are not in the files that are measured, whether to go on without."""
        unsaved = unsaved_beside(self, folder)
        if not unsaved:
            return True
        told = "\n".join(f"{s.marks_path}: {s.file.refused}." for s in unsaved)
        names = ", ".join(s.image.name for s in unsaved)
        asked = f"Make the report from what is on disk, without the unsaved marks of {names}?"
        yes, no = QMessageBox.StandardButton.Yes, QMessageBox.StandardButton.No
        title, text = "Marks are not saved", f"{told}\n{asked}"
        return bool(QMessageBox.question(self, title, text, yes | no, no) == yes)

    def open_pdf(self) -> None:
        """Open the report in the viewer of the system."""
        if self.pdf is not None and not QDesktopServices.openUrl(QUrl.fromLocalFile(str(self.pdf))):
            self.message.setText(f"No program opens PDF here; the file is {self.pdf}.")


def _unread_words(folder: Path) -> str:
    from perioview.files.stray_files import stray_files

    try:
        strays = stray_files(folder)
    except InputRefused:
        return ""
    files = ", ".join(s.file for s in strays)
    return f" Not read, and in the report as open: {files}." if files else ""


def made(folder: Path, record: Path) -> int:
    """Measure a visit and write its record; return how many files. Touches no widget.

    Raises
    ------
    InputRefused
        If the visit cannot be measured or the folder not written.
    """
    from perioview.files.visit_folder import examine
    from perioview.record.findings import findings
    from perioview.verbs.report import record_files, write_record

    files = record_files(findings(examine(folder)))
    write_record(record, files)
    return len(files)
