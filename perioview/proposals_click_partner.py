"""The other outer root of a tooth, sought from the one that was clicked."""

from __future__ import annotations

import numpy as np

from perioview.proposals_click_look import APEX, LOWER, Look
from perioview.proposals_click_patch import ClickFrame
from perioview.proposals_click_search import First, Pair, Task, second_look

# How far apart two roots of a tooth lie, in lengths of the root; wide on purpose.
APART = (0.25, 0.38, 0.52, 0.68)
NEAREST = 0.15  # closer than this share of the length it is the same root


def partner(first: First, pair: Pair, scaled: bool) -> Pair | None:
    """Looks at the other root of a two-rooted tooth, whose own CEJ lies on its far side.

    Parameters
    ----------
    first : First
        What the click led to.
    pair : Pair
        Both looks at the clicked root, which has one CEJ of its own.
    scaled : bool

    Returns
    -------
    Pair
        None where no such root is seen.
    """
    known = pair.second
    frame, own, apex = known.frame, known.spots[known.sides[0]], known.spots[APEX]
    length = abs(apex.along - own.along)
    way = 1.0 if known.sides[0] == LOWER else -1.0
    # Told as if the clicked root were the mesial one: only the side matters here.
    task = Task(("distal",), -way * frame.across, None)
    looks = [_look(task, first, frame, way * share * length) for share in APART]
    seen = [look for look in looks if look is not None]
    if not seen:
        return None
    best = max(seen, key=lambda look: look.sure)
    found = second_look(task, First(best, 1.0, first.grey, first.flags), scaled)
    # Both looks count from the clicked root's second one, whose unit is the pair's.
    found = Pair(found.first, found.second, found.zoom, pair.unit * found.zoom)
    r, c = found.second.frame.pixels(
        np.array(found.second.spots[APEX].along), np.array(found.second.spots[APEX].across)
    )
    across = frame.place(np.array([float(r), float(c)]) * frame.pitch)[1]
    return found if way * (across - apex.across) > NEAREST * length else None


def _look(task: Task, first: First, frame: ClickFrame, shift: float) -> Look | None:
    beside = ClickFrame(frame.origin + shift * frame.across, frame.axis, frame.pitch)
    return task.look(first.grey, beside, 1.0, thorough=False)
