"""A part of a panel under a heading that folds, so that what is used most keeps its room."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QComboBox, QFrame, QLabel, QScrollArea, QToolButton, QVBoxLayout, QWidget


class Section(QWidget):
    """A heading and what belongs to it; folded, the heading says the gist.

    Parameters
    ----------
    title : str
    body : QWidget
    """

    def __init__(self, title: str, body: QWidget) -> None:
        super().__init__()
        self.title = title
        self.body = body
        self.chosen = False
        """Whether the user has folded or unfolded it: then it stays so."""
        self._gist = ""
        self.heading = QToolButton()
        self.heading.setObjectName("heading")
        self.heading.setCheckable(True)
        self.heading.setChecked(True)
        self.heading.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.heading.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.heading.clicked.connect(self._clicked)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(2)
        column.addWidget(self.heading)
        column.addWidget(body)
        self.open(True)

    @property
    def is_open(self) -> bool:
        """Whether its body is shown."""
        return bool(self.heading.isChecked())

    def _clicked(self) -> None:
        self.chosen = True
        self.open(self.heading.isChecked())

    def open(self, on: bool) -> None:
        """Unfold or fold it."""
        self.heading.setChecked(on)
        self.heading.setArrowType(Qt.ArrowType.DownArrow if on else Qt.ArrowType.RightArrow)
        self.body.setVisible(on)
        self._name()

    def say(self, gist: str) -> None:
        """Set what the heading says while folded."""
        self._gist = gist
        self._name()

    def _name(self) -> None:
        folded = f"{self.title}: {self._gist}" if self._gist else self.title
        self.heading.setText(self.title if self.is_open else folded)


def wrapped(name: str = "", lines: int = 0) -> QLabel:
    """Return a label that wraps, with room for this many lines so that nothing jumps below it."""
    label = QLabel("")
    label.setObjectName(name)
    label.setWordWrap(True)
    if lines:
        label.setMinimumHeight(lines * label.fontMetrics().lineSpacing() + 6)
        label.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
    return label


def narrow(box: QComboBox, least: int = 8) -> QComboBox:
    """Let long entries not widen the panel; the list itself shows them whole."""
    box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    box.setMinimumContentsLength(least)
    return box


def scrolled(panel: QWidget) -> QVBoxLayout:
    """Return the column of a panel; where it is higher than its room, it scrolls."""
    inner = QWidget()
    column = QVBoxLayout(inner)
    column.setSpacing(4)
    column.setContentsMargins(6, 4, 6, 4)
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    area.setWidget(inner)
    whole = QVBoxLayout(panel)
    whole.setContentsMargins(0, 0, 0, 0)
    whole.addWidget(area)
    return column
