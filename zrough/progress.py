"""The progress callback: how far a stage is, and the caller's way to stop the work."""

from __future__ import annotations

from collections.abc import Callable

from zrough.errors import Cancelled

#: ``progress(stage, done, total)``; may return False to stop.
Progress = Callable[[str, int, int], object]


def watched(progress: Progress | None) -> Callable[[str, int, int], None]:
    """A callback that does nothing without ``progress``, and raises `Cancelled` once that returns False.

    Raises
    ------
    Cancelled : from the returned callback.
    """

    def report(stage: str, done: int, total: int) -> None:
        if progress is not None and progress(stage, done, total) is False:
            raise Cancelled(f"stopped during {stage}, {done} of {total}")

    return report
