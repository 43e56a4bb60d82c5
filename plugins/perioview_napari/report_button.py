"""Makes the report of a visit from within the window, and opens it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import QUrl
from qtpy.QtGui import QDesktopServices
from qtpy.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

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
        record = folder / "record"

        def written(count: int) -> None:
            self.make.setEnabled(True)
            self.show_it.setEnabled(True)
            self.pdf = record / "report.pdf"
            still = f" {gaps} points were still open; it lists them." if gaps else ""
            if gaps == 1:
                still = " 1 point was still open; the report names it."
            self.message.setText(f"{count} files written into {folder.name}/record.{still}")

        def refused(fault: str) -> None:
            self.make.setEnabled(True)
            self.message.setText(fault)

        self.make.setEnabled(False)
        self.show_it.setEnabled(False)
        self.message.setText("measuring and writing the report…")
        self.worker = in_background(lambda: made(folder, record), written, refused)

    def open_pdf(self) -> None:
        """Open the report in the viewer of the system."""
        if self.pdf is not None and not QDesktopServices.openUrl(QUrl.fromLocalFile(str(self.pdf))):
            self.message.setText(f"No program opens PDF here; the file is {self.pdf}.")


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
