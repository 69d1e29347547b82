"""Bands are begun so that all of them are cleared and linked soonest, by a plain count of the work."""

from __future__ import annotations

import itertools

import pytest

from zrough.bandorder import LINKING, _done, order


def finished(sizes, begun, threads):
    """The same by small steps of time: workers take what is next, one linker takes bands in cutting order."""
    step, now, linked, left = 0.001, 0.0, 0, 0.0
    waiting, at_work, cleared = list(begun), {}, set()
    while linked < len(sizes):
        while waiting and len(at_work) < threads:
            k = waiting.pop(0)
            at_work[k] = sizes[k]
        if left <= 0.0 and linked in cleared:
            left = LINKING * sizes[linked]
        now += step
        at_work = {k: rest - step for k, rest in at_work.items()}
        cleared |= {k for k, rest in at_work.items() if rest <= 1e-9}
        at_work = {k: rest for k, rest in at_work.items() if rest > 1e-9}
        if left > 0.0:
            left -= step
            linked += left <= 1e-9
            left = 0.0 if left <= 1e-9 else left
    return now


@pytest.mark.parametrize("sizes", [[1.0, 2.0, 0.5], [0.4, 0.4, 0.4, 1.2], [2.0, 0.3, 0.7, 0.2]])
@pytest.mark.parametrize("threads", [1, 2, 3])
def test_the_count_of_an_order_is_what_comes_of_it(sizes, threads):
    begun = order(sizes, threads)
    assert sorted(begun) == list(range(len(sizes)))
    assert _done(sizes, begun, threads) == pytest.approx(finished(sizes, begun, threads), abs=0.02)


def test_the_longest_is_not_left_for_the_end():
    """Four equal ones side by side take two rounds; a fifth, twice as long, must run beside them."""
    sizes = [1.0, 1.0, 1.0, 1.0, 2.0]
    assert order(sizes, 2)[0] == 4


def test_alike_bands_are_begun_as_they_are_linked():
    """Were the second one begun last, for a hair less work, nothing but the first could be linked before."""
    assert order([1.0, 0.99, 1.01, 1.02, 1.03, 1.04], 2) == [0, 1, 2, 3, 4, 5]


def test_it_is_near_the_best_of_all_orders():
    """Among all orders of six bands none is done much sooner."""
    sizes = [0.3, 1.7, 0.8, 0.4, 1.1, 0.9]
    best = min(_done(sizes, begun, 2) for begun in itertools.permutations(range(6)))
    assert _done(sizes, order(sizes, 2), 2) <= 1.1 * best


def test_no_bands_no_order():
    assert order([], 2) == []
