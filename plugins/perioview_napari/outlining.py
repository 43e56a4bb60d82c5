"""Outlines of teeth by a click each; the number goes on to the next tooth by itself."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QPushButton

from perioview.errors import InputRefused
from perioview.regions_order import offered_tooth
from perioview_napari.convert import image_of_layer
from perioview_napari.outline_jobs import Job, Jobs
from perioview_napari.photo_clicked import place_on
from perioview_napari.regions_kept import drawn_at, proposed_at

if TYPE_CHECKING:
    from perioview_napari.plaque_panel import PlaquePanel
    from perioview_napari.plaque_regions import Regions

ASK = (
    "Click the middle of the crown whose number is in 'tooth'; the number goes on by itself. A "
    "click on an outlined tooth takes it up again."
)
DOUBTFUL = " Its edge is doubtful (orange): 'Keep as is' if it is right, else Paint or Erase."
# Share of what was found that must be left once other teeth have theirs.
LEAST_LEFT = 0.5


class Outlining:
    """The button that lets clicks outline, and what a click does then.

    Parameters
    ----------
    panel : PlaquePanel
    """

    def __init__(self, panel: PlaquePanel) -> None:
        self.panel = panel
        self.button = QPushButton("Outline teeth by a click")
        self.button.setCheckable(True)
        self.button.toggled.connect(self._switched)
        self.jobs = Jobs(self._begin)
        self._on: Any = None
        # The number that was in the field when a photo was left, and whether it was offered.
        self._left: dict[Path, tuple[int, bool]] = {}
        panel.viewer.mouse_drag_callbacks.append(self.clicked)

    def release(self) -> None:
        """Let go of the viewer."""
        callbacks = self.panel.viewer.mouse_drag_callbacks
        if self.clicked in callbacks:
            callbacks.remove(self.clicked)

    def _switched(self, on: bool) -> None:
        if not on:
            return
        try:
            self.panel.correct.stop()
            self.panel.card.put_away()
            self.panel.say(self.panel.regions().told(ASK))
        except InputRefused as error:
            self.button.setChecked(False)
            self.panel.say(str(error))

    def clicked(self, viewer: Any, event: Any) -> None:
        """Outline the tooth under a click, or take up the one that is outlined there."""
        if not self.button.isChecked() or event.button != 1:
            return
        event.handled = True
        try:
            row, col = place_on(self.panel.photo_layer(), event.position, self.panel.photos())
            regions = self.panel.regions()
        except InputRefused as error:
            self.panel.say(str(error))
            return
        number = regions.at(row, col)
        if number and number != self.panel.number.value():
            self.panel.number.setValue(number)
            words = f"{number} taken up: correct it, or click it again to outline it anew."
            self.panel.say(regions.told(words))
        else:
            self.outline(row, col)

    def outline(self, row: float, col: float) -> None:
        """Propose the outline of the tooth at a place of the photo, beside the window."""
        panel = self.panel
        try:
            regions = panel.regions()
            number = panel.number.tooth()
            behind = tuple(self.jobs.of(regions))
            if number in (job.number for job in behind):
                raise InputRefused(f"{number} is being outlined already; a moment.")
            if number in regions.teeth and regions.at(row, col) != number:
                raise InputRefused(self._elsewhere(number, regions))
        except InputRefused as error:
            panel.say(str(error))
            return
        new = number not in regions.teeth
        job = Job(regions, (row, col), number, panel.number.offered, new, behind)
        panel.say(regions.told(f"outlining {number}…"))
        self.jobs.waiting.append(job)
        if new:
            self._offer(regions)
        self.jobs.go_on()

    def _elsewhere(self, number: int, regions: Regions) -> str:
        """Say that the tooth named has its outline at another place; offer the next one."""
        offered = self._offer(regions)
        if offered is None:
            return f"{number} is outlined already; choose the number of this tooth first."
        return (
            f"{number} is outlined already. Click again if this tooth is {offered}; else choose "
            "its number first."
        )

    def _begin(self, job: Job) -> None:
        """Look for an outline, unless one that was found meanwhile is of the same tooth."""
        from perioview.regions import tooth_outline

        try:
            live = self.panel.live(job.regions)
        except InputRefused as error:
            self._failed(job, str(error))
            return
        if same := job.same_as(live):
            self._give_back(job)
            self._say(job, live.told(f"{same} was clicked twice and outlined once."))
            self.jobs.finished()
            return
        pixels, taken = image_of_layer(job.regions.photo)[0].pixels, live.data
        taken[taken == job.number] = 0
        self.panel.start(
            lambda: tooth_outline(pixels, *job.at, taken=taken),
            lambda outline: self._found(job, outline),
            lambda fault: self._failed(job, fault),
        )
        # A fault of the program's own, which napari shows, must not hold up those that wait.
        self.panel.worker.errored.connect(lambda error: self.jobs.finished())

    def _found(self, job: Job, outline: Any) -> None:
        try:
            live = self.panel.live(job.regions)
            self._say(job, live.told(self._taken(job, live, outline)))
        except InputRefused as error:
            self._say(job, str(error))
        finally:
            self.jobs.finished()

    def _taken(self, job: Job, live: Regions, outline: Any) -> str:
        """Take an outline that was found, if its place is free still; say what was done."""
        number = job.number
        if number in live.teeth and (job.new or live is not job.regions):
            return f"{number} was outlined anew meanwhile; that outline stays."
        if job.left_of(outline.mask, live) < LEAST_LEFT:
            self._give_back(job)
            return f"{number}: what was found there is outlined already; left out."
        live.take(number, outline.mask, sure=outline.sure)
        ends = job.new and self._next(live) is None
        last = ", the last of this jaw; choose the next number" if ends else ""
        return f"{number} outlined{last}.{'' if outline.sure else DOUBTFUL}"

    def _failed(self, job: Job, fault: str) -> None:
        number = self.panel.number
        # Where others wait behind it the user has gone on.
        if self.jobs.of(job.regions) == [job] and number.offered and self._in_view(job):
            number.put(job.number, offered=job.offered)
        self._say(job, f"{job.number}: {fault}")
        self.jobs.finished()

    def _give_back(self, job: Job) -> None:
        """Let the number of a click that outlines nothing go to the next one."""
        free, last = self.jobs.dropped(job)
        if last and self.panel.number.offered and self._in_view(job):
            self.panel.number.put(free, offered=job.offered or free != job.number)

    def _in_view(self, job: Job) -> bool:
        return job.regions.photo is self.panel.pictures.shown

    def _say(self, job: Job, words: str) -> None:
        self.panel.say(words if self._in_view(job) else f"{job.regions.name}: {words}")

    def _offer(self, regions: Regions) -> int | None:
        """Put the tooth that comes next on a photo into the field."""
        offered = self._next(regions)
        if offered is not None:
            self.panel.number.put(offered, offered=True)
        return offered

    def _next(self, regions: Regions) -> int | None:
        """Tooth after those outlined, or being outlined, on a photo; None at the end of the jaw."""
        done = [*(regions.order or regions.teeth), *(job.number for job in self.jobs.of(regions))]
        species = self.panel.species
        return offered_tooth(done, taken=regions.teeth, species=species) if done else None

    def photo_came(self, photo: Any) -> None:
        """Offer a number anew for a photo that came into view; each has its own."""
        number, before = self.panel.number, self._on
        if photo is None or photo is before:
            return
        self._on = photo
        # Typed before the first click, it is meant for the photo that came.
        typed = not number.offered
        used: list[int] = []
        if before is not None:
            _, file = image_of_layer(before)
            self._left[file] = number.value(), number.offered
            known = self.panel.open_regions.get(file)
            if known is not None:
                old = [t for t in known.teeth if t not in known.order]
                used = [*old, *known.order, *(job.number for job in self.jobs.of(known))]
        if typed and number.value() not in used:
            return
        _, file = image_of_layer(photo)
        teeth = self._teeth_on(file)
        if file in self._left:
            value, offered = self._left[file]
            number.put(value, offered=offered)
        elif teeth is not None and teeth.teeth:
            self._offer(teeth)
        elif used:
            # Both show the same mouth, most often, and are gone through the same way.
            number.put(used[0], offered=True)

    def _teeth_on(self, file: Path) -> Regions | None:
        """Return the outlines of the photo in view, if it has any."""
        if not (drawn_at(file).is_file() or proposed_at(file).is_file()):
            return self.panel.open_regions.get(file)
        try:
            return self.panel.regions()
        except InputRefused:
            # Told by who shows them.
            return None
