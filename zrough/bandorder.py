"""In which order the bands of a part are begun, so that neither a thread nor the one who links waits long.

Bands are cleared side by side and linked in cutting order, while others are still being cleared. The longest
first leaves no thread alone with one at the end; but then the first to be linked may come last, and nearly
all is still to be linked when the clearing is done. What comes of an order is guessed from the work in each.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

LINKING = 0.15  # of a band's clearing: what it takes to link it, measured on large plates


def order(sizes: Sequence[float], threads: int) -> list[int]:
    """Indices of bands, which are in cutting order, in the order to begin them.

    Of the orders in which the longest come first and the rest as they are cut, it is the one that is done
    soonest; ``sizes`` tell how long each may take.
    """
    longest = sorted(range(len(sizes)), key=lambda k: -sizes[k])
    tried = [longest[:n] + sorted(longest[n:]) for n in range(len(sizes))]
    return min(tried, key=lambda begun: _done(sizes, begun, threads), default=[])


def _done(sizes: Sequence[float], begun: Sequence[int], threads: int) -> float:
    """When all is linked, in the unit of the sizes."""
    free, ready = [0.0] * max(threads, 1), [0.0] * len(sizes)
    for k in begun:
        ready[k] = heapq.heappop(free) + sizes[k]
        heapq.heappush(free, ready[k])
    now = 0.0
    for size, there in zip(sizes, ready, strict=True):
        now = max(now, there) + LINKING * size
    return now
