"""Long work beside the window: it goes on, the window stays alive, faults come back as one line."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from perioview.errors import InputRefused


def in_background(
    task: Callable[[], Any], done: Callable[[Any], None], refused: Callable[[str], None]
) -> Any:
    """Run a task in a worker thread and hand its result, or its faults, to the window.

    Parameters
    ----------
    task : callable
        Touches no widget.
    done, refused : callable
        Called in the window's own thread.

    Returns
    -------
    FunctionWorker
        Started; keep it to wait for it.
    """
    from napari.qt.threading import create_worker

    def guarded() -> tuple[bool, Any]:
        try:
            return True, task()
        except InputRefused as error:
            return False, str(error)

    def finished(answer: tuple[bool, Any]) -> None:
        good, value = answer
        (done if good else refused)(value)

    worker = create_worker(guarded, _connect={"returned": finished})
    return worker
