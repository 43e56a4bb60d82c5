"""The map through pairs of points marked by hand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused


def transform_from_points(
    pairs: NDArray[np.float64], names: tuple[str, str]
) -> NDArray[np.float64]:
    """Fit a similarity to two pairs, an affine map to three, a projective one to four or more.

    Parameters
    ----------
    pairs : ndarray of float, shape (n, 2, 2)
        (x, y) in the later image, then in the earlier one.
    names : tuple of str
        What to call the two images in a refusal.

    Returns
    -------
    ndarray of float, shape (3, 3)

    Raises
    ------
    InputRefused
        If there are fewer than two pairs, or they coincide or lie on one line.
    """
    if pairs.ndim != 3 or pairs.shape[1:] != (2, 2) or len(pairs) < 2:
        raise InputRefused(f"{names[0]}: {len(pairs)} point pair(s); mark at least two.")
    if not np.isfinite(pairs).all():
        raise InputRefused(f"{names[0]}: a point pair is no finite number; mark it again.")
    from skimage import transform as models

    kinds = {2: models.SimilarityTransform, 3: models.AffineTransform}
    kind = kinds.get(len(pairs), models.ProjectiveTransform)
    later, earlier = pairs[:, 0], pairs[:, 1]
    for side, name in ((later, names[0]), (earlier, names[1])):
        spread = np.linalg.svd(side - side.mean(axis=0), compute_uv=False)
        if spread[0] < 1 or (len(pairs) > 2 and spread[1] < 0.01 * spread[0]):
            raise InputRefused(
                f"{name}: the {len(pairs)} points lie on one spot or one line; spread them out."
            )
    found = np.asarray(kind.from_estimate(later, earlier).params, dtype=float)
    if not np.isfinite(found).all() or abs(np.linalg.det(found)) < 1e-12:
        raise InputRefused(f"{names[0]}: no map fits the {len(pairs)} point pairs; check them.")
    return found
