"""Plaque of a stained photograph: outline teeth by a click each, number them, measure, see."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import QEvent, Qt, QTimer
from qtpy.QtWidgets import QFormLayout, QLabel, QPushButton, QSlider

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer
from perioview_napari.correct_tools import CorrectTools
from perioview_napari.docking import BesideMarking
from perioview_napari.find_panel import open_marking_panel
from perioview_napari.leaves_keyboard import leave_keyboard
from perioview_napari.marking import PHOTO_WORDS
from perioview_napari.measuring import Measuring
from perioview_napari.other_photo import OtherPhoto
from perioview_napari.outlining import Outlining
from perioview_napari.photo_settings import PhotoSettings
from perioview_napari.photos import Photos
from perioview_napari.plaque_maps import MAP, Maps
from perioview_napari.plaque_regions import Regions
from perioview_napari.regions_kept import Labels, kept_at
from perioview_napari.sections import scrolled
from perioview_napari.tooth_number import ToothNumber
from perioview_napari.work import in_background

__all__ = ["MAP", "PlaquePanel"]


class PlaquePanel(BesideMarking):
    """Outlines teeth on the photograph in view and measures their plaque.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.worker: Any = None
        self.pictures = Photos(self)
        # What the tools of this panel ask of it.
        self.photos, self.photo_layer = self.pictures.all, self.pictures.in_view
        self.show_photo = self.pictures.show
        self.open_regions: dict[Path, Regions] = {}
        self.maps = Maps(self)
        self.closed = False
        self._build()
        for event in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            event.connect(self.other.list_photos)
        self.pictures.begin()

    def closeEvent(self, event: Any) -> None:
        """Let go of the viewer."""
        self.release()
        super().closeEvent(event)

    def changeEvent(self, event: Any) -> None:
        """Let go of the viewer when the dock is closed: it only drops what lies in it."""
        if event.type() == QEvent.Type.ParentChange and self.parent() is None:
            # Once the window has let go of the dock.
            QTimer.singleShot(0, self.release)
        super().changeEvent(event)

    def release(self) -> None:
        """Let go of the viewer and take away what lies on its photographs; the files stay."""
        if self.closed:
            return
        self.closed = True
        self.correct.stop()
        self.pictures.release()
        self.outlining.release()
        self.card.show(None, None)
        self.settings.release()
        panel = open_marking_panel(self.viewer)
        if panel is not None:
            panel.marking.photo_words = PHOTO_WORDS
        for changed in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            changed.disconnect(self.other.list_photos)
        for regions in self.open_regions.values():
            regions.close()
        self.maps.remove()

    def _build(self) -> None:
        self.setMinimumWidth(330)
        self.settings = PhotoSettings(
            self.viewer, self.photo_layer, self.say, self.pictures.came, self.outlines_of
        )
        self.gum, self.dye = self.settings.gum, self.settings.dye
        self.card, self.asked = self.settings.card, self.settings.asked
        self.number = ToothNumber(lambda: self.species)
        self.number.valueChanged.connect(self._other_tooth)
        form = QFormLayout()
        form.addRow("tooth", self.number)
        self.outlining = Outlining(self)
        self.outline, self.outline_tooth = self.outlining.button, self.outlining.outline
        self.correct = CorrectTools(self)
        self.other = OtherPhoto(self)
        self.card.button.toggled.connect(self._card_taken)
        self.measuring = Measuring(self)
        self.measure = self.measuring.measure
        self.slider = QSlider(Qt.Orientation.Horizontal)
        self.slider.setRange(0, 100)
        self.slider.setValue(100)
        self.slider.valueChanged.connect(self.maps.fade)
        self.message = QLabel("")
        self.message.setWordWrap(True)
        self.table = self.maps.table
        caution = QLabel("Stain shows nothing below the gum line.")
        self.opener = QPushButton("Open this visit's photographs")
        self.opener.clicked.connect(self.pictures.open)
        box = scrolled(self)
        # What is asked for comes first: at the foot, under the table, it is not read.
        self.message.setMinimumHeight(3 * self.message.fontMetrics().lineSpacing())
        box.addWidget(self.opener)
        box.addWidget(self.message)
        box.addLayout(form)
        box.addWidget(self.outline)
        box.addLayout(self.correct.row)
        box.addLayout(self.other.rows)
        asked = QFormLayout()
        asked.addRow("gum lies", self.gum)
        asked.addRow("dye", self.dye)
        box.addLayout(asked)
        shown = QFormLayout()
        shown.addRow("plaque map", self.slider)
        for part in (self.card.button, self.measuring.button):
            box.addWidget(part)
        box.addLayout(shown)
        for part in (self.maps.place, caution):
            box.addWidget(part)
        self.other.list_photos()
        leave_keyboard(self, self.viewer.window._qt_viewer.canvas.native.setFocus)

    def showEvent(self, event: Any) -> None:
        """Take up the photograph in view, or open those of the visit."""
        super().showEvent(event)
        self.show_photo()

    def say(self, text: str) -> None:
        """Show a message or the faults of the last act, on the photograph too."""
        self.message.setText(text)
        panel = open_marking_panel(self.viewer)
        if panel is not None:
            panel.marking.photo_words = text
            panel.marking.refresh()
            panel.fill()

    def regions_path(self, file: Path) -> Path:
        """Where the regions of a photo are kept: in its visit, else beside it."""
        return kept_at(file)

    def regions(self) -> Regions:
        """Return the regions of the photograph in view, read from its file or new.

        Raises
        ------
        InputRefused
            If no photo is in view, or its visit or its file of regions cannot be read.
        """
        photo = self.photo_layer()
        _, file = image_of_layer(photo)
        self.settings.show(photo)
        self._close_gone()
        # By the file: photographs of two visits may bear one name.
        known = self.open_regions.get(file)
        if known is None or known.layer not in self.viewer.layers:
            known = Regions(self.viewer, photo, self.say, lambda: self.settings.card_of(file))
            self.open_regions[file] = known
            for changed in (known.layer.events.data, known.layer.events.paint):
                changed.connect(self.maps.check)
            self.viewer.layers.selection.active = photo
        return known

    def _close_gone(self) -> None:
        """Take the outlines of photographs away that are not open any more; the files stay."""
        gone = [f for f, r in self.open_regions.items() if r.photo not in self.viewer.layers]
        for file in gone:
            self.open_regions.pop(file).close()

    def outlines_of(self, file: Path) -> Labels | None:
        """Return the outlines of a photo as they stand, or None while they are not open."""
        known = self.open_regions.get(file)
        return None if known is None else known.layer.data

    def regions_layer(self) -> Any:
        """Return the label layer of the photograph in view."""
        return self.regions().layer

    @property
    def species(self) -> str:
        """Species of the photograph in view, as its visit or its header says."""
        return self.settings.species

    def live(self, regions: Regions) -> Regions:
        """Return the regions to write into where the photo of some may have been closed since."""
        known = self.open_regions.get(regions.file, regions)
        if known.layer not in self.viewer.layers:
            known.read_again()
        return known

    def start(
        self,
        task: Callable[[], Any],
        done: Callable[[Any], None],
        refused: Callable[[str], None] | None = None,
    ) -> None:
        """Work beside the window; what comes after the panel was closed is dropped."""

        def while_open(act: Callable[[Any], None]) -> Callable[[Any], None]:
            return lambda value: None if self.closed else act(value)

        self.worker = in_background(task, while_open(done), while_open(refused or self.say))

    def show_own(self) -> None:
        """Show what belongs to the photograph in view; what belongs to others would lie over it."""
        photo = self.pictures.seen()
        for regions in self.open_regions.values():
            regions.set_visible(regions.photo is photo)
        self.maps.show_on(photo)

    def _card_taken(self, on: bool) -> None:
        """Put the other tools away: one drag does one thing."""
        if on:
            self.outline.setChecked(False)
            self.correct.stop()

    def _other_tooth(self, number: int) -> None:
        self.correct.chosen()
        try:
            self.number.tooth()
        except InputRefused as error:
            self.say(str(error))
