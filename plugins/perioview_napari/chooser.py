"""What is marked: the radiograph, the species, the teeth in view by number or by a view's name."""

from __future__ import annotations

from collections.abc import Iterable

from qtpy.QtCore import Signal
from qtpy.QtWidgets import QComboBox, QGridLayout, QLabel, QLineEdit, QWidget

from perioview.marking_round import tooth_views
from perioview.teeth import SPECIES
from perioview_napari.sections import narrow

NO_VIEW = "or a view"
NO_SPECIES = "species?"


class Chooser(QWidget):
    """The fields at the top of the marking panel."""

    image_chosen = Signal(int)
    species_chosen = Signal(int)
    teeth_typed = Signal()
    view_chosen = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.images = QComboBox()
        self.images.setToolTip("The radiograph or photograph shown")
        self.images.activated.connect(self.image_chosen)
        self.species = QComboBox()
        self.species.addItems([NO_SPECIES, *SPECIES])
        self.species.activated.connect(self.species_chosen)
        self.teeth = QLineEdit()
        self.teeth.setPlaceholderText("308 309 or 404-407, Enter")
        self.teeth.setToolTip("Teeth in view, by number: 308 309 or 404-407, then Enter")
        self.teeth.returnPressed.connect(self.teeth_typed)
        self.views = QComboBox()
        self.views.setToolTip("Teeth in view, by the name of the view")
        self.views.activated.connect(self._view)
        for box, least in ((self.images, 8), (self.species, 3), (self.views, 4)):
            narrow(box, least)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        # File names are long, and tell one radiograph from another by their end.
        grid.addWidget(self.images, 0, 0, 1, 2)
        grid.addWidget(self.species, 0, 2)
        grid.addWidget(QLabel("Teeth"), 1, 0)
        grid.addWidget(self.teeth, 1, 1)
        grid.addWidget(self.views, 1, 2)
        grid.setColumnStretch(1, 1)

    def _view(self, index: int) -> None:
        if index > 0:
            self.view_chosen.emit(self.views.itemText(index))

    def list_images(self, names: Iterable[str], at: int = -1) -> None:
        """Offer these radiographs, and show which is marked."""
        self.images.clear()
        self.images.addItems(list(names))
        if at >= 0:
            self.images.setCurrentIndex(at)

    def show_species(self, species: str | None) -> None:
        """Show the species, and offer the views of its mouth."""
        self.species.setCurrentIndex(0 if species is None else 1 + SPECIES.index(species))
        if species is None or self.views.property("species") == species:
            return
        self.views.setProperty("species", species)
        self.views.clear()
        self.views.addItems([NO_VIEW, *tooth_views(species)])
        self.views.view().setMinimumWidth(self.views.view().sizeHintForColumn(0) + 30)

    def show_teeth(self, numbers: Iterable[int]) -> None:
        """Show the teeth in view, unless they are just being typed."""
        if not self.teeth.hasFocus():
            self.teeth.setText(" ".join(map(str, numbers)))
