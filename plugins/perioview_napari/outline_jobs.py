"""Outlines that are being sought, one after the other: each knows what the ones before took."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from perioview.errors import InputRefused
from perioview_napari.region_boxes import grown, numbers_in

if TYPE_CHECKING:
    from perioview_napari.plaque_regions import Regions


@dataclass(slots=True, eq=False)
class Job:
    """An outline asked for by a click.

    Parameters
    ----------
    regions : Regions
        Of the photo that was clicked.
    at : tuple of float
        (row, col), px.
    number : int
        The tooth.
    offered : bool
        Whether the program chose the number.
    new : bool
        Whether the tooth was not outlined then.
    behind : tuple of Job
        Those on the same photo that were not done then.
    """

    regions: Regions
    at: tuple[float, float]
    number: int
    offered: bool
    new: bool
    behind: tuple[Job, ...] = ()

    def same_as(self, regions: Regions) -> int:
        """Tooth outlined by a click before this one which this one meant too; 0 for none.

        A click while the outline is still sought is often a second, impatient one: it lies in
        what was then found, or so near that no other crown has its middle there.

        Parameters
        ----------
        regions : Regions
            Those of the photo as they are now.
        """
        labels = regions.layer.data
        row, col = (round(place) for place in self.at)
        reach = labels.shape[1] // 50
        around = grown((slice(row, row + 1), slice(col, col + 1)), reach, labels.shape)
        return min(numbers_in(labels[around]) & {job.number for job in self.behind}, default=0)

    def left_of(self, mask: NDArray[np.bool_], regions: Regions) -> float:
        """Share of what was found that no other tooth has."""
        under = regions.layer.data[mask]
        return float(np.isin(under, (0, self.number)).mean()) if under.size else 0.0


@dataclass(slots=True)
class Jobs:
    """Outlines being sought.

    Parameters
    ----------
    begin : callable
        Starts on a job; it is done once `finished` is called.
    """

    begin: Callable[[Job], None]
    waiting: list[Job] = field(default_factory=list)
    running: Job | None = None

    def of(self, regions: Regions) -> list[Job]:
        """Those of a photo, in the order of the clicks."""
        running = [] if self.running is None else [self.running]
        return [job for job in (*running, *self.waiting) if job.regions is regions]

    def check_none(self, regions: Regions, number: int | None = None) -> None:
        """Refuse to change outlines of a photo while one is sought there, or one of a tooth.

        Raises
        ------
        InputRefused
            In one line.
        """
        sought = [job.number for job in self.of(regions) if number in (None, job.number)]
        if sought:
            raise InputRefused(
                f"{sought[-1]} is still being outlined; press again once it is there."
            )

    def go_on(self) -> None:
        """Begin the next one if none is running."""
        if self.running is None and self.waiting:
            self.running = self.waiting.pop(0)
            self.begin(self.running)

    def finished(self) -> None:
        """Go on: the one that was running is done."""
        self.running = None
        self.go_on()

    def dropped(self, job: Job) -> tuple[int, bool]:
        """Give the number of a job to the next one, and so on: it was a second click on a tooth.

        Returns
        -------
        int
            The number that is free now.
        bool
            Whether it is the last that was asked for, so that it can be offered again.
        """
        free = job.number
        for later in self.waiting:
            if later.regions is not job.regions:
                continue
            if not later.offered:
                return free, False
            free, later.number = later.number, free
        return free, True
