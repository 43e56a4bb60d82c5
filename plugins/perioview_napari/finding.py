"""Looks for proposals beside the window, one tooth after another, and hands them over."""

from __future__ import annotations

import contextlib
from collections import Counter
from concurrent.futures import Future, ThreadPoolExecutor

from qtpy.QtCore import QObject, Signal

from perioview_napari.proposed import Proposed
from perioview_napari.session import Session


class Finder(QObject):
    """A thread of its own for what `Session.propose` takes.

    `found` comes in the window's thread: session, tooth, and a tuple of the state that was asked
    about, the proposals, what went wrong, and whether they are to be told of.
    """

    found = Signal(object, int, object)

    def __init__(self) -> None:
        super().__init__()
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="proposals")
        self._asked: Counter[int] = Counter()
        """How many requests are under way, by the identity of their session."""
        self._closed = False
        self.found.connect(self._answered)

    def close(self) -> None:
        """Stop; what is being looked for is not handed over any more."""
        self._closed = True
        self._pool.shutdown(wait=True, cancel_futures=True)

    def seeks(self, session: Session) -> bool:
        """Whether proposals are still being sought for a radiograph."""
        return self._asked[id(session)] > 0

    def look(self, session: Session, tooth: int, *, told: bool = False) -> None:
        """Look for proposals of a tooth, if any of its marks is open."""
        state = session.round.state
        if not any(
            s.landmark != "furcation" and s.tooth == tooth and state.open(s) for s in state.steps
        ):
            return
        self._asked[id(session)] += 1

        def report(done: Future[tuple[Proposed, ...]]) -> None:
            if done.cancelled() or self._closed:
                return
            fault = done.exception()
            proposals = () if fault is not None else done.result()
            with contextlib.suppress(RuntimeError):
                self.found.emit(session, tooth, (state, proposals, fault, told))

        self._pool.submit(session.propose, tooth).add_done_callback(report)

    def _answered(self, session: Session, *_: object) -> None:
        self._asked[id(session)] -= 1
