"""The procedure as a list to tick: each tick keeps its time, packs are counted in and out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from qtpy.QtCore import QSize, Qt
from qtpy.QtWidgets import (
    QInputDialog,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from perioview.errors import InputRefused
from perioview.procedure import Step, checklist, is_step, pack_count, ticked, unticked
from perioview.visit import Visit

BOX = 40
"""Width in px of the box of a step and what is around it."""
LIST_STYLE = """
QListWidget { font-size: 14px; }
QListWidget::indicator { width: 15px; height: 15px; border: 2px solid #c4c4c4; border-radius: 3px; }
QListWidget::indicator:checked { background: #1f7fbf; border-color: #9ad0f5; }
"""


class ProcedureList(QWidget):
    """Ticks the steps of one visit and writes them into its ``visit.toml``.

    Parameters
    ----------
    changed : callable
        Called with the visit after every tick.
    """

    def __init__(self, changed: Callable[[Visit], None]) -> None:
        super().__init__()
        self.changed = changed
        self.folder: Path | None = None
        self.visit: Visit | None = None
        self.steps: tuple[Step, ...] = ()
        self.list = QListWidget()
        self.list.setWordWrap(True)
        # An empty box must be seen on the dark list.
        self.list.setStyleSheet(LIST_STYLE)
        self.list.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.list.setResizeMode(QListWidget.ResizeMode.Adjust)
        self.list.setTextElideMode(Qt.TextElideMode.ElideNone)
        self.list.itemChanged.connect(self._ticked)
        self.packs = QLabel("")
        self.packs.setWordWrap(True)
        self.back = QPushButton("Take the last tick back")
        self.back.setEnabled(False)
        self.back.clicked.connect(self.undo)
        self._before: list[tuple[Mapping[str, Any], ...]] = []
        self.message = QLabel("")
        self.message.setWordWrap(True)
        box = QVBoxLayout(self)
        for part in (self.list, self.back, self.packs, self.message):
            box.addWidget(part)

    def show_visit(self, folder: Path, visit: Visit) -> None:
        """List the steps of a visit folder."""
        if folder != self.folder:
            self._before.clear()
        self.folder, self.visit = folder, visit
        self.back.setEnabled(bool(self._before))
        self.steps = checklist()
        self.list.blockSignals(True)
        self.list.clear()
        for step in self.steps:
            row = next((r for r in visit.steps if is_step(r, step) and r.get("done")), None)
            at = row.get("at") if row else None
            time = f"  {at:%H:%M}" if isinstance(at, dt.datetime) else ""
            item = QListWidgetItem(f"{step.name}{time}")
            item.setToolTip(step.caution)
            # The style's larger box is not counted by Qt when it decides where the text wraps.
            wide = max(self.list.viewport().width() - BOX, 150)
            room = self.list.fontMetrics().boundingRect(
                0, 0, wide, 1000, Qt.TextFlag.TextWordWrap, item.text()
            )
            item.setSizeHint(QSize(wide, max(room.height() + 6, 23)))
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            item.setCheckState(Qt.CheckState.Checked if row else Qt.CheckState.Unchecked)
            self.list.addItem(item)
        self.list.blockSignals(False)
        count = pack_count(visit.steps)
        placed = "?" if count.placed is None else count.placed
        removed = "?" if count.removed is None else count.removed
        verdict = "" if count.all_out else "  —  NOT ALL OUT"
        self.packs.setText(f"pharyngeal packs: {placed} in, {removed} out{verdict}")
        colour = "#8fd694" if count.all_out else "#ff9d9d"
        self.packs.setStyleSheet(f"font-size: 16px; font-weight: 600; color: {colour}")

    def _ticked(self, item: QListWidgetItem) -> None:
        step = self.steps[self.list.row(item)]
        if item.checkState() == Qt.CheckState.Checked:
            by, count = self._asked(step)
            self.tick(step, by, count)
        else:
            self.untick(step)

    def _asked(self, step: Step) -> tuple[str, int | None]:
        if step.asks == "count":
            number, good = QInputDialog.getInt(self, step.name, f"{step.name}: how many", 1, 0, 9)
            return "", number if good else None
        if step.asks:
            text, _ = QInputDialog.getText(self, step.name, f"{step.name}: {step.asks}")
            return text, None
        return "", None

    def tick(self, step: Step, by: str = "", count: int | None = None) -> None:
        """Record a step as done now."""
        if self.visit is not None:
            now = dt.datetime.now().replace(microsecond=0)
            self._keep(lambda v: replace(v, steps=ticked(v.steps, step, now, by=by, count=count)))

    def untick(self, step: Step) -> None:
        """Take a step back."""
        if self.visit is not None:
            self._keep(lambda v: replace(v, steps=unticked(v.steps, step)))

    def undo(self) -> None:
        """Take the last tick back, with the times as they were."""
        if not self._before:
            return
        steps = self._before[-1]
        if self._keep(lambda v: replace(v, steps=steps), remember=False):
            self._before.pop()
            self.back.setEnabled(bool(self._before))

    def _keep(self, change: Callable[[Visit], Visit], *, remember: bool = True) -> bool:
        """Change the visit on disk; return whether it could be written."""
        from perioview.files.visit_folder import read_visit, write_visit

        if self.folder is None:
            return False
        try:
            # Read again: the file may have been changed elsewhere meanwhile.
            read = read_visit(self.folder)
            visit = change(read)
            write_visit(self.folder, visit)
        except InputRefused as error:
            self.message.setText(str(error))
            if self.visit is not None:
                self.show_visit(self.folder, self.visit)
            return False
        self.message.setText("")
        if remember:
            self._before.append(tuple(read.steps))
        self.show_visit(self.folder, visit)
        self.changed(visit)
        return True
