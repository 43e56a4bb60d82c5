"""What each picture of generator H is made of: a subset of many features, drawn by chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass
class Mix:
    """Which of a picture's many features are in it; some pictures are busy and others bare."""

    rng: np.random.Generator
    busy: float

    def on(self, share: float) -> bool:
        """Whether a feature that about `share` of the pictures has is in this one."""
        return bool(self.rng.random() < min(share * self.busy, 0.95))
