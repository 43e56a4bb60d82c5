"""Turning and mirroring what is seen; the layers and every stored coordinate stay as they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


def camera(viewer: Any) -> Any:
    """Return the viewer's camera, under its name of napari 0.9 or of before."""
    return viewer.scene.camera if hasattr(viewer, "scene") else viewer.camera


@dataclass(frozen=True, slots=True)
class Orientation:
    """How the image lies on the screen.

    Parameters
    ----------
    swapped : bool
        Whether columns run down the screen.
    up, left : bool
        Whether the vertical axis grows upward, the horizontal one leftward.
    """

    swapped: bool = False
    up: bool = False
    left: bool = False

    def rotated(self) -> Orientation:
        """Turn a quarter clockwise: what pointed right points down, what pointed down left."""
        return Orientation(not self.swapped, self.left, not self.up)

    def mirrored(self) -> Orientation:
        """Mirror left and right."""
        return Orientation(self.swapped, self.up, not self.left)

    def show(self, viewer: Any) -> None:
        """Let the viewer show it so."""
        viewer.dims.order = (1, 0) if self.swapped else (0, 1)
        camera(viewer).orientation2d = (
            "up" if self.up else "down",
            "left" if self.left else "right",
        )
