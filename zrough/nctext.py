"""Numbers and words to text by whole columns: half a million lines in about a second.

A `Words` block is a table of characters, one row a line. Each word adds columns; a mask says which
characters appear. Leading zeros and trailing decimals are masked out, so no number is formatted singly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CHUNK = 32768  # lines formatted at once; keeps the character table small


@dataclass(frozen=True)
class Word:
    """One column of words.

    Attributes
    ----------
    letter : what stands before the number, such as ``" X"``; the first character of a line is dropped.
    value : (n,) int64, the number times ``10**decimals``; None: the letters stand alone.
    decimals : 0 writes an integer without a point; else at least one decimal is written.
    shown : (n,) bool, whether the line has this word; None: always.
    """

    letter: str
    value: NDArray[np.int64] | None
    decimals: int = 0
    shown: NDArray[np.bool_] | None = None


def lines(words: list[Word], count: int) -> str:
    """``count`` lines of the given words, each ended by a newline; lines without any word are left out."""
    text = []
    for first in range(0, count, CHUNK):
        last = min(first + CHUNK, count)
        text.append(_chunk(words, first, last))
    return b"".join(text).decode("ascii")


def _chunk(words: list[Word], first: int, last: int) -> bytes:
    n = last - first
    columns = [_columns(word, first, last) for word in words]
    chars = np.concatenate([c for c, _ in columns] + [np.full((n, 1), ord("\n"), np.uint8)], axis=1)
    keep = np.concatenate([k for _, k in columns] + [np.zeros((n, 1), bool)], axis=1)
    some = keep.any(axis=1)
    keep[np.arange(n), keep.argmax(axis=1)] = False  # the blank before the first word
    keep[:, -1] = some
    return chars[keep].tobytes()


def _columns(word: Word, first: int, last: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Characters (n, width) and which of them appear."""
    n, d, p = last - first, word.decimals, len(word.letter)
    if word.value is None:
        chars = np.broadcast_to(np.frombuffer(word.letter.encode("ascii"), np.uint8), (n, p))
        shown = np.ones(n, bool) if word.shown is None else word.shown[first:last]
        return chars, np.broadcast_to(shown[:, None], (n, p))
    value = word.value[first:last]
    size = np.abs(value)
    digits = max(len(str(int(size.max(initial=0)))), d + 1)
    if digits < 10:
        size = size.astype(np.int32)  # twice as fast
    width = p + 1 + digits + (d > 0)
    chars = np.empty((n, width), np.uint8)
    keep = np.zeros((n, width), bool)
    chars[:, :p] = np.frombuffer(word.letter.encode("ascii"), np.uint8)
    keep[:, :p] = True
    chars[:, p] = ord("-")
    keep[:, p] = value < 0
    if d:
        chars[:, p + 1 + digits - d] = ord(".")
        keep[:, p + 1 + digits - d] = True
    rest = size
    trailing = np.zeros(n, bool)  # a digit other than 0 was met to the right
    for k in range(digits):  # from the last digit
        rest, digit = np.divmod(rest, 10) if k < digits - 1 else (rest, rest)
        at = p + digits - k + (d > 0 and k < d)
        chars[:, at] = digit + ord("0")
        if k < d:
            trailing |= digit != 0
            keep[:, at] = trailing | (k == d - 1)
        else:
            keep[:, at] = (size >= 10**k) | (k == d)
    if word.shown is not None:
        keep &= word.shown[first:last, None]
    return chars, keep
