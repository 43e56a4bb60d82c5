"""Plaque of a stained photograph: outline teeth by a click each, number them, measure, see."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from qtpy.QtCore import Qt
from qtpy.QtWidgets import (
    QComboBox,
    QFormLayout,
    QLabel,
    QPushButton,
    QSlider,
    QSpinBox,
    QTableWidget,
    QTableWidgetItem,
)

from perioview.errors import InputRefused
from perioview.regions_order import offered_tooth
from perioview_napari.convert import image_of_layer, is_perioview_image, position_from_world
from perioview_napari.correct_tools import CorrectTools
from perioview_napari.docking import BesideMarking
from perioview_napari.find_panel import open_marking_panel
from perioview_napari.grey_card import CardTool
from perioview_napari.marking import PHOTO_WORDS
from perioview_napari.other_photo import OtherPhoto
from perioview_napari.plaque_regions import Regions, kept_at
from perioview_napari.sections import scrolled
from perioview_napari.stays import STAYS
from perioview_napari.visits import Visits, visit_of_viewer
from perioview_napari.work import in_background

MAP = "plaque map"
ASK_OUTLINES = "Press 'Outline teeth by a click', then click each crown; then 'Measure plaque'."
DOUBTFUL = " Its edge is doubtful (orange): 'Keep as is' if it is right, else Paint or Erase."
COLUMNS = ("tooth", "plaque %", "gum half", "crown half", "notes")


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
        self.species = "dog"
        self._regions: dict[str, Regions] = {}
        self._build()
        self.viewer.mouse_drag_callbacks.append(self._clicked)
        for event in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            event.connect(self.other.list_photos)

    def closeEvent(self, event: Any) -> None:
        """Let go of the viewer."""
        if self._clicked in self.viewer.mouse_drag_callbacks:
            self.viewer.mouse_drag_callbacks.remove(self._clicked)
        self.card.release()
        panel = open_marking_panel(self.viewer)
        if panel is not None:
            panel.marking.photo_words = PHOTO_WORDS
        for changed in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            changed.disconnect(self.other.list_photos)
        super().closeEvent(event)

    def _build(self) -> None:
        self.setMinimumWidth(330)
        self.number = QSpinBox()
        self.number.setRange(101, 899)
        self.number.setValue(308)
        self.number.setToolTip("the tooth that the next click outlines, or that is corrected")
        self.number.valueChanged.connect(self._other_tooth)
        self.gum = QComboBox()
        self.gum.addItems(["by the jaw", "up", "down", "left", "right"])
        self.dye = QComboBox()
        self.dye.addItems(["one-tone", "two-tone"])
        form = QFormLayout()
        form.addRow("tooth", self.number)
        self.outline = QPushButton("Outline teeth by a click")
        self.outline.setCheckable(True)
        self.outline.toggled.connect(self._outlining)
        self.correct = CorrectTools(self)
        self.other = OtherPhoto(self)
        self.card = CardTool(self.viewer, self.photo_layer, self.say)
        self.card.button.toggled.connect(lambda on: on and self.outline.setChecked(False))
        measure = QPushButton("Measure plaque")
        measure.clicked.connect(self.measure)
        self.slider = QSlider(Qt.Orientation.Horizontal)
        self.slider.setRange(0, 100)
        self.slider.setValue(100)
        self.slider.valueChanged.connect(self._opacity)
        self.message = QLabel("")
        self.message.setWordWrap(True)
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setHorizontalHeaderLabels(COLUMNS)
        self.table.verticalHeader().setVisible(False)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.resizeColumnsToContents()
        caution = QLabel("Stain shows nothing below the gum line.")
        self.opener = QPushButton("Open this visit's photographs")
        self.opener.clicked.connect(self.open_photos)
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
        for part in (self.card.button, measure):
            box.addWidget(part)
        box.addLayout(shown)
        for part in (self.table, caution):
            box.addWidget(part)
        self.other.list_photos()

    def showEvent(self, event: Any) -> None:
        """Take up the photograph in view, or open those of the visit."""
        super().showEvent(event)
        self.show_photo()

    def show_photo(self) -> None:
        """Bring a photograph into view; where none is open, those of the visit are opened."""
        if any(la.visible for la in self.photos()):
            self.say(self.message.text() or ASK_OUTLINES)
        elif self.photos():
            self._bring_up(self.photos()[0])
        else:
            self.open_photos()

    def open_photos(self) -> None:
        """Open the photographs that the visit in the window lists, and show the first."""
        folder = visit_of_viewer(self.viewer)
        try:
            opened = [] if folder is None else Visits().photos(folder)
        except InputRefused as error:
            self.say(str(error))
            return
        known = {la.name for la in self.photos()}
        new = [(data, kwargs) for data, kwargs, _ in opened if kwargs["name"] not in known]
        # napari wants one unit for all layers.
        units = {"units": self.viewer.layers[0].units} if len(self.viewer.layers) else {}
        added = [self.viewer.add_image(data, **kwargs | units) for data, kwargs in new]
        if added:
            self._bring_up(added[0])
        elif opened:
            self._bring_up(next(la for la in self.photos() if la.name == opened[0][1]["name"]))
        else:
            self.say("No photograph is open. Drag one into the window, or list it in the visit.")

    def _bring_up(self, photo: Any) -> None:
        panel = open_marking_panel(self.viewer)
        if panel is None:
            photo.visible = True
            self.viewer.layers.selection.active = photo
        else:
            panel.show_layer(photo)
        self.say(ASK_OUTLINES)

    def say(self, text: str) -> None:
        """Show a message or the faults of the last act, on the photograph too."""
        self.message.setText(text)
        panel = open_marking_panel(self.viewer)
        if panel is not None:
            panel.marking.photo_words = text
            panel.marking.refresh()
            panel.fill()

    def photos(self) -> list[Any]:
        """Photographs that are open."""
        return [
            la for la in self.viewer.layers
            if is_perioview_image(la) and image_of_layer(la)[0].colour
        ]  # fmt: skip

    def photo_layer(self) -> Any:
        """Return the photograph in view.

        Raises
        ------
        InputRefused
            If none was opened by perioview.
        """
        photos = [la for la in self.photos() if la.visible]
        if not photos:
            raise InputRefused("no photograph is in view; open one with perioview.")
        active = self.viewer.layers.selection.active
        return active if active in photos else photos[-1]

    def regions_path(self, file: Path) -> Path:
        """Where the regions of a photo are kept: in its visit, else beside it."""
        return kept_at(file)

    def regions(self) -> Regions:
        """Return the regions of the photograph in view, read from its file or new.

        Raises
        ------
        InputRefused
            If no photo is in view or its file of regions cannot be read.
        """
        photo = self.photo_layer()
        image, file = image_of_layer(photo)
        known = self._regions.get(image.name)
        if known is None or known.layer not in self.viewer.layers:
            known = Regions(self.viewer, photo, self.say)
            self._regions[image.name] = known
            self._take_stated(file)
            self.viewer.layers.selection.active = photo
        return known

    def regions_layer(self) -> Any:
        """Return the label layer of the photograph in view."""
        return self.regions().layer

    def _take_stated(self, file: Path) -> None:
        """Preset gum side, dye and species from the photo's visit."""
        from perioview.files.visit_folder import visit_of_image

        try:
            visit = visit_of_image(file)
        except InputRefused as error:
            self.say(str(error))
            return
        if visit is None:
            return
        self.species = visit.species or self.species
        row = next((r for r in visit.photos if Path(str(r.get("file"))).name == file.name), {})
        self.gum.setCurrentText(str(row.get("gum", "by the jaw")))
        if row.get("dye") in ("one-tone", "two-tone"):
            self.dye.setCurrentText(str(row["dye"]))

    def _outlining(self, on: bool) -> None:
        if not on:
            return
        try:
            self.correct.stop()
            self.card.button.setChecked(False)
            self.regions()
            self.say("Click the middle of a crown; the number goes on by itself. A click on an "
                     "outlined tooth takes it up again.")  # fmt: skip
        except InputRefused as error:
            self.outline.setChecked(False)
            self.say(str(error))

    def _other_tooth(self, number: int) -> None:
        if self.correct.painting:
            self.correct.stop()

    def _clicked(self, viewer: Any, event: Any) -> None:
        if not self.outline.isChecked() or event.button != 1:
            return
        event.handled = True
        try:
            row, col = position_from_world(self.photo_layer(), event.position)
            regions = self.regions()
        except InputRefused as error:
            self.say(str(error))
            return
        number = regions.at(row, col)
        if number and number != self.number.value():
            self.number.setValue(number)
            self.say(f"{number} taken up: correct it, or click it again to outline it anew.")
        else:
            self.outline_tooth(row, col)

    def outline_tooth(self, row: float, col: float) -> None:
        """Propose the outline of the tooth at a place of the photo, beside the window."""
        from perioview.regions import tooth_outline

        regions = self.regions()
        image, _ = image_of_layer(self.photo_layer())
        number = self.number.value()
        data = regions.data
        taken = np.where(data == number, 0, data)
        before = regions.teeth

        def done(outline: Any) -> None:
            regions.take(number, outline.mask, sure=outline.sure)
            unsure = "" if outline.sure else DOUBTFUL
            self.say(f"{number} outlined.{unsure}")
            if number in before:
                return
            offered = offered_tooth(regions.order, taken=regions.teeth, species=self.species)
            if offered is None:
                self.say(f"{number} outlined, the last of this jaw; choose the next number."
                         f"{unsure}")  # fmt: skip
            else:
                self.number.setValue(offered)

        self.say(f"outlining {number}…")
        self.worker = in_background(
            lambda: tooth_outline(image.pixels, row, col, taken=taken), done, self.say
        )

    def asked(self) -> dict[str, Any]:
        """Gum side and dye as chosen."""
        gum = None if self.gum.currentIndex() == 0 else self.gum.currentText()
        return {"gum": gum, "dye": self.dye.currentText()}

    def lay_over(self, photo: Any, picture: Any, name: str) -> None:
        """Show a map over the photo, in place of the last one."""
        for old in (MAP, STAYS):
            if old in self.viewer.layers:
                self.viewer.layers.remove(old)
        self.viewer.add_image(picture, rgb=True, name=name, scale=photo.scale)
        self.viewer.layers.selection.active = photo
        self._opacity(self.slider.value())

    def measure(self) -> None:
        """Measure plaque inside the regions and lay the map over the photo."""
        from perioview.plaque import plaque

        try:
            photo = self.photo_layer()
            drawn = self.regions()
        except InputRefused as error:
            self.say(str(error))
            return
        drawn.save()
        self.correct.stop()
        image, _ = image_of_layer(photo)
        regions, doubtful = drawn.data, sorted(drawn.doubtful)
        asked = self.asked()
        card = self.card.corners(image.name)
        self.say("measuring…")
        self.worker = in_background(
            lambda: plaque(image, regions, card=card, **asked),
            lambda result: self._show(photo, regions, result, doubtful),
            self.say,
        )

    def _show(self, photo: Any, regions: Any, result: Any, doubtful: list[int]) -> None:
        from perioview.plaque_overlay import overlay

        image, _ = image_of_layer(photo)
        picture = overlay(image, regions, result)
        self.lay_over(photo, picture, MAP)
        self.table.setColumnCount(len(COLUMNS))
        self.table.setHorizontalHeaderLabels(COLUMNS)
        found = result.json_object()
        self.table.setRowCount(len(found["teeth"]))
        for i, t in enumerate(found["teeth"]):
            cells = (
                str(t["tooth"]),
                with_sd(t["coverage_pct"], t["coverage_pct_sd"]),
                *("-" if t[k] is None else f"{t[k]:.0f}"
                  for k in ("gingival_half_pct", "coronal_half_pct")),
                ", ".join(f.replace("_", " ") for f in t["flags"]),
            )  # fmt: skip
            for j, cell in enumerate(cells):
                self.table.setItem(i, j, QTableWidgetItem(cell))
        self.table.horizontalHeader().setStretchLastSection(True)
        for column in range(len(COLUMNS) - 1):
            self.table.resizeColumnToContents(column)
        self.table.resizeRowsToContents()
        mouth = found["mouth"]["coverage_pct"]
        said = [] if mouth is None else [f"All outlined teeth: {mouth:.0f} % covered."]
        if doubtful:
            said.append(f"Outlines not looked at: {', '.join(map(str, doubtful))}.")
        said += [w.replace("state it with --gum", "choose it above") for w in result.warnings[2:]]
        self.say(" ".join(said))

    def _opacity(self, percent: int) -> None:
        for name in (MAP, STAYS):
            if name in self.viewer.layers:
                self.viewer.layers[name].opacity = percent / 100


def with_sd(value: float | None, sd: float | None) -> str:
    """Say a number with its SD; a question mark where the SD is not known, never 0."""
    if value is None:
        return "-"
    return f"{value:.0f} ± {'?' if sd is None else f'{sd:.0f}'}"
