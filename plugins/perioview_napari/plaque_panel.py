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
    QVBoxLayout,
    QWidget,
)

from perioview.errors import InputRefused
from perioview_napari.convert import image_of_layer, is_perioview_image, position_from_world
from perioview_napari.grey_card import CardTool
from perioview_napari.work import in_background

REGIONS = "tooth regions"
MAP = "plaque map"
COLUMNS = ("tooth", "plaque %", "gum half", "crown half", "notes")


class PlaquePanel(QWidget):
    """Outlines teeth on the photograph in view and measures their plaque.

    Parameters
    ----------
    napari_viewer : napari.Viewer
    """

    def __init__(self, napari_viewer: Any) -> None:
        super().__init__()
        self.viewer = napari_viewer
        self.worker: Any = None
        self._build()
        self.viewer.mouse_drag_callbacks.append(self._clicked)
        for event in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            event.connect(self.list_photos)

    def closeEvent(self, event: Any) -> None:
        """Let go of the viewer."""
        if self._clicked in self.viewer.mouse_drag_callbacks:
            self.viewer.mouse_drag_callbacks.remove(self._clicked)
        self.card.release()
        for changed in (self.viewer.layers.events.inserted, self.viewer.layers.events.removed):
            changed.disconnect(self.list_photos)
        super().closeEvent(event)

    def _build(self) -> None:
        self.setMinimumWidth(340)
        self.number = QSpinBox()
        self.number.setRange(101, 899)
        self.number.setValue(308)
        self.gum = QComboBox()
        self.gum.addItems(["by the jaw", "up", "down", "left", "right"])
        self.dye = QComboBox()
        self.dye.addItems(["one-tone", "two-tone"])
        form = QFormLayout()
        form.addRow("next tooth", self.number)
        form.addRow("gum lies", self.gum)
        form.addRow("dye", self.dye)
        self.outline = QPushButton("Outline teeth by a click")
        self.outline.setCheckable(True)
        self.outline.toggled.connect(self._outlining)
        self.drawn_on = QComboBox()
        self.drawn_on.setToolTip("a photo of the same mouth whose teeth are outlined already")
        self.carry = QPushButton("Bring outlines over from that photo")
        self.carry.clicked.connect(self.bring_over)
        self.card = CardTool(self.viewer, self.photo_layer, self.say)
        self.card.button.toggled.connect(lambda on: on and self.outline.setChecked(False))
        measure = QPushButton("Measure plaque")
        measure.clicked.connect(self.measure)
        self.slider = QSlider(Qt.Orientation.Horizontal)
        self.slider.setRange(0, 100)
        self.slider.setValue(100)
        self.slider.valueChanged.connect(self._opacity)
        self.message = QLabel("Open a photograph with perioview, then outline each tooth.")
        self.message.setWordWrap(True)
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setHorizontalHeaderLabels(COLUMNS)
        caution = QLabel("Stain shows nothing below the gum line.")
        box = QVBoxLayout(self)
        box.addLayout(form)
        other = QFormLayout()
        other.addRow("outlined photo", self.drawn_on)
        shown = QLabel("plaque map, faint to full")
        for part in (self.outline, other, self.carry, self.card.button, measure, shown, self.slider,
                     self.message, self.table, caution):  # fmt: skip
            if isinstance(part, QFormLayout):
                box.addLayout(part)
            else:
                box.addWidget(part)
        self.list_photos()

    def say(self, text: str) -> None:
        """Show a message or the faults of the last act."""
        self.message.setText(text)

    def _photos(self) -> list[Any]:
        return [
            la for la in self.viewer.layers
            if is_perioview_image(la) and image_of_layer(la)[0].colour
        ]  # fmt: skip

    def list_photos(self, event: Any = None) -> None:
        """Offer every photograph that is open as the one the outlines come from."""
        chosen = self.drawn_on.currentText()
        names = [image_of_layer(la)[0].name for la in self._photos()]
        self.drawn_on.clear()
        self.drawn_on.addItems(names)
        if chosen in names:
            self.drawn_on.setCurrentText(chosen)

    def photo_layer(self) -> Any:
        """Return the photograph in view.

        Raises
        ------
        InputRefused
            If none was opened by perioview.
        """
        photos = [la for la in self._photos() if la.visible]
        if not photos:
            raise InputRefused("no photograph is in view; open one with perioview.")
        active = self.viewer.layers.selection.active
        return active if active in photos else photos[-1]

    def regions_path(self, file: Path) -> Path:
        """Where the regions of a photo are kept: in its visit, else beside it."""
        folder = file.resolve().parent.parent
        if file.parent.name == "images" and (folder / "visit.toml").is_file():
            return folder / "regions" / f"{file.name}.png"
        return file.with_name(f"{file.name}.regions.png")

    def regions_layer(self) -> Any:
        """Return the label layer of the photograph in view, read from its file or new."""
        from perioview.files.regions import read_regions

        photo = self.photo_layer()
        image, file = image_of_layer(photo)
        name = f"{REGIONS}: {image.name}"
        if name in self.viewer.layers:
            return self.viewer.layers[name]
        path = self.regions_path(file)
        if path.is_file():
            labels = np.asarray(read_regions(path, rows=image.rows, cols=image.cols))
        else:
            labels = np.zeros((image.rows, image.cols), np.uint16)
        layer = self.viewer.add_labels(labels.copy(), name=name, scale=photo.scale, opacity=0.5)
        layer.contour = 3
        self.viewer.layers.selection.active = photo
        return layer

    def _outlining(self, on: bool) -> None:
        if not on:
            self.say("Paint or erase in the layer of tooth regions to correct an outline.")
            return
        try:
            self.regions_layer()
            self.say("Click the middle of a crown; the number goes on by itself.")
        except InputRefused as error:
            self.outline.setChecked(False)
            self.say(str(error))

    def _clicked(self, viewer: Any, event: Any) -> None:
        if not self.outline.isChecked() or event.button != 1:
            return
        event.handled = True
        try:
            row, col = position_from_world(self.photo_layer(), event.position)
        except InputRefused as error:
            self.say(str(error))
            return
        self.outline_tooth(row, col)

    def outline_tooth(self, row: float, col: float) -> None:
        """Propose the outline of the tooth at a place of the photo, beside the window."""
        from perioview.regions import tooth_outline

        layer = self.regions_layer()
        image, _ = image_of_layer(self.photo_layer())
        number = self.number.value()
        taken = np.where(layer.data == number, 0, layer.data)

        def done(outline: Any) -> None:
            data = layer.data.copy()
            data[data == number] = 0
            data[outline.mask & (data == 0)] = number
            layer.data = data
            self.save()
            unsure = "" if outline.sure else " Its edge is doubtful: look twice."
            self.say(f"{number} outlined; correct it with the brush if need be.{unsure}")
            self.number.setValue(_next_number(number))

        self.worker = in_background(
            lambda: tooth_outline(image.pixels, row, col, taken=taken), done, self.say
        )

    def bring_over(self) -> None:
        """Carry the outlines of another open photo to the one in view, by alignment."""
        from perioview.files.regions import read_regions
        from perioview.regions_carried import regions_from

        try:
            photo = self.photo_layer()
            image, file = image_of_layer(photo)
            source = next(
                (la for la in self._photos() if image_of_layer(la)[0].name
                 == self.drawn_on.currentText()), photo
            )  # fmt: skip
            other, other_file = image_of_layer(source)
            if source is photo or other_file == file:
                raise InputRefused(
                    f"{image.name}: is the photo in view; choose the outlined one beside "
                    "'outlined photo', and click the other in the list of layers."
                )
            path = self.regions_path(other_file)
            drawn = np.asarray(read_regions(path, rows=other.rows, cols=other.cols))
            layer = self.regions_layer()
            if layer.data.any():
                raise InputRefused(
                    f"{image.name}: has outlines of its own; erase them to bring others over."
                )
        except InputRefused as error:
            self.say(str(error))
            return

        def done(carried: Any) -> None:
            layer.data = carried.regions
            self.save()
            self.say(" ".join(carried.warnings))

        self.say("aligning the two photos…")
        self.worker = in_background(lambda: regions_from(drawn, other, image), done, self.say)

    def save(self) -> None:
        """Keep the regions on disk."""
        from perioview.files.regions import write_regions

        layer = self.regions_layer()
        path = self.regions_path(image_of_layer(self.photo_layer())[1])
        try:
            path.parent.mkdir(exist_ok=True)
            write_regions(path, layer.data.astype(np.uint16))
        except InputRefused as error:
            self.say(str(error))

    def measure(self) -> None:
        """Measure plaque inside the regions and lay the map over the photo."""
        from perioview.plaque import plaque

        try:
            photo = self.photo_layer()
            layer = self.regions_layer()
        except InputRefused as error:
            self.say(str(error))
            return
        self.save()
        image, _ = image_of_layer(photo)
        regions = layer.data.astype(np.uint16)
        gum = None if self.gum.currentIndex() == 0 else self.gum.currentText()
        dye = self.dye.currentText()
        card = self.card.corners(image.name)
        self.say("measuring…")
        self.worker = in_background(
            lambda: plaque(image, regions, dye=dye, gum=gum, card=card),
            lambda result: self._show(photo, regions, result),
            self.say,
        )

    def _show(self, photo: Any, regions: Any, result: Any) -> None:
        from perioview.plaque_overlay import overlay

        image, _ = image_of_layer(photo)
        picture = overlay(image, regions, result)
        if MAP in self.viewer.layers:
            self.viewer.layers.remove(MAP)
        self.viewer.add_image(picture, rgb=True, name=MAP, scale=photo.scale)
        self.viewer.layers.selection.active = photo
        self._opacity(self.slider.value())
        found = result.json_object()
        self.table.setRowCount(len(found["teeth"]))
        for i, t in enumerate(found["teeth"]):
            known = t["coverage_pct"] is not None
            cells = (
                str(t["tooth"]),
                f"{t['coverage_pct']:.0f} ± {t['coverage_pct_sd'] or 0:.0f}" if known else "-",
                *("-" if t[k] is None else f"{t[k]:.0f}"
                  for k in ("gingival_half_pct", "coronal_half_pct")),
                ", ".join(f.replace("_", " ") for f in t["flags"]),
            )  # fmt: skip
            for j, cell in enumerate(cells):
                self.table.setItem(i, j, QTableWidgetItem(cell))
        mouth = found["mouth"]["coverage_pct"]
        covered = "" if mouth is None else f"All outlined teeth: {mouth:.0f} % covered. "
        self.say(covered + " ".join(result.warnings[2:]))

    def _opacity(self, percent: int) -> None:
        if MAP in self.viewer.layers:
            self.viewer.layers[MAP].opacity = percent / 100


def _next_number(number: int) -> int:
    """The tooth behind this one, within its quadrant."""
    return number + 1 if number % 100 < 11 else number
