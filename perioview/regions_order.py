"""Which tooth is outlined next: on along the arcade, the way the user goes."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from perioview.teeth import teeth

UPPER = (1, 2, 5, 6)


def offered_tooth(
    done: Sequence[int], *, taken: Collection[int] = (), species: str = "dog"
) -> int | None:
    """Offer the next tooth of the arcade.

    Parameters
    ----------
    done : sequence of int
        Triadan numbers in the order they were outlined; at least one.
    taken : collection of int
        Teeth outlined already, in any order: never offered.
    species : str
        ``dog`` or ``cat``.

    Returns
    -------
    int or None
        On the side of the last tooth that the user goes toward, away from the midline at first;
        None at the end of the arcade.
    """
    last = done[-1]
    arcade = [
        t.number
        for t in teeth(species, deciduous=last // 100 > 4)
        if (t.number // 100 in UPPER) == (last // 100 in UPPER)
    ]
    if last not in arcade:
        return None
    at = arcade.index(last)
    step = 1 if last // 100 in (2, 4, 6, 8) else -1
    if len(done) > 1 and done[-2] in arcade and done[-2] != last:
        step = 1 if at > arcade.index(done[-2]) else -1
    on = arcade[at + 1 :] if step > 0 else arcade[:at][::-1]
    return next((number for number in on if number not in taken and number not in done), None)
