"""The numbers of the teeth outlined, as a layer over the photo."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import numpy as np

NUMBERS = "tooth numbers"


class Numbers:
    """A layer of points with the numbers in them; made when there is the first.

    Parameters
    ----------
    viewer : napari.Viewer
    photo : Image layer
    name : str
        Of the photo.
    """

    def __init__(self, viewer: Any, photo: Any, name: str) -> None:
        self.viewer, self.photo, self.name = viewer, photo, name
        self.layer: Any = None

    def show(
        self, places: Mapping[int, tuple[float, float]], doubtful: Collection[int], *, over: Any
    ) -> None:
        """Write each number where its tooth is, those not looked at with a question mark."""
        if over not in self.viewer.layers:
            return  # closed meanwhile: an outline that came later is on disk alone
        words = [f"{n}?" if n in doubtful else str(n) for n in places]
        at = np.array(list(places.values())).reshape(-1, 2)
        if self.layer in self.viewer.layers:
            self.layer.data = at
            self.layer.features = {"words": words}
            self.layer.selected_data = set()
            self.layer.refresh_text()
            return
        if not places:
            return
        active = self.viewer.layers.selection.active
        self.layer = self.viewer.add_points(
            at,
            name=f"{NUMBERS}: {self.name}",
            visible=over.visible,
            scale=self.photo.scale,
            translate=self.photo.translate,
            size=max(12, self.photo.data.shape[1] / 21),
            face_color=[0, 0, 0, 0.8],
            border_width=0,
            features={"words": words},
            text={"string": "{words}", "color": "white", "size": 10, "anchor": "center"},
        )
        self.viewer.layers.selection.active = active
