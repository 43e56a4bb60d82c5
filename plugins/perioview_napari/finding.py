"""Looks for proposals beside the window, one tooth after another, and hands them over."""

from __future__ import annotations

import contextlib
from concurrent.futures import Future, ThreadPoolExecutor

from qtpy.QtCore import QObject, Signal

from perioview_napari.proposed import Proposed
from perioview_napari.session import Session


class Finder(QObject):
    """A thread of its own for what `Session.propose` takes.

    `found` comes in the window's thread: session, tooth, and a tuple of the state that was asked
    about, the proposals, and what went wrong.
    """

    found = Signal(object, int, object)

    def __init__(self) -> None:
        super().__init__()
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="proposals")
        self._asked = 0
        self._closed = False
        self.found.connect(self._answered)

    def close(self) -> None:
        """Stop; what is being looked for is not handed over any more."""
        self._closed = True
        self._pool.shutdown(wait=True, cancel_futures=True)

    @property
    def waiting(self) -> bool:
        """Whether proposals are still being sought."""
        return self._asked > 0

    def look(self, session: Session, tooth: int) -> None:
        """Look for proposals of a tooth, if any of its marks is open."""
        state = session.round.state
        if not any(
            s.landmark != "furcation" and s.tooth == tooth and state.open(s) for s in state.steps
        ):
            return
        self._asked += 1

        def report(done: Future[tuple[Proposed, ...]]) -> None:
            if done.cancelled() or self._closed:
                return
            fault = done.exception()
            proposals = () if fault is not None else done.result()
            with contextlib.suppress(RuntimeError):
                self.found.emit(session, tooth, (state, proposals, fault))

        self._pool.submit(session.propose, tooth).add_done_callback(report)

    def _answered(self, *_: object) -> None:
        self._asked -= 1
