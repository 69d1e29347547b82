"""NC text of the ISO 6983 kind -> motions as arrays, and a list of what is wrong or not understood.

The reader knows nothing of the planner: it reads any program made of words (G, M, X, Y, Z, I, J, K, R, F, S,
T, H, D, P, N), modal state, straight and circular motions, and names with its line whatever it does not
follow.

Rules of the language are those of NIST IR 6556 (Kramer, Proctor, Messina: The NIST RS274NGC Interpreter,
version 3, 2000), which is the open description of the ISO 6983 / RS-274 family; G70 and G71 for inch and
millimetre, G60 and G9 for exact stop are the DIN 66025 / EIA words.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from zrough.errors import NcError

INCH = 25.4
#: Largest difference of the two radii of an arc given by its centre (NIST IR 6556, 3.5.3.2).
ARC_MISMATCH_MM = 0.002
ARC_MISMATCH_INCH = 0.0002
LINE_LIMIT = 256  # NIST IR 6556, 3.3

Place = tuple[float, float, float]
NOWHERE: Place = (math.nan, math.nan, math.nan)


class Motion(IntEnum):
    """The value stored in `Program.kind`."""

    RAPID = 0
    LINE = 1
    CCW = 2  # seen from the positive end of the axis normal to the plane
    CW = 3


@dataclass(frozen=True)
class Finding:
    """One thing found wrong.

    Attributes
    ----------
    code : short name of the rule, such as ``"gouge"`` or ``"feed-missing"``.
    line : line of the NC text, counted from 1; 0 when no single line is to blame.
    place : x, y, z of the cutter's tip, mm; NaN where it has no place.
    value, limit : what was found and what is allowed, in the unit the message names; NaN where it has none.
    message : one line for a person.
    """

    code: str
    line: int
    place: Place
    value: float
    limit: float
    message: str

    def __str__(self) -> str:
        return self.message

    def to_dict(self) -> dict[str, object]:
        """Plain values; NaN becomes None."""
        return {
            "code": self.code,
            "line": self.line,
            "place": [None if math.isnan(v) else float(v) for v in self.place],
            "value": None if math.isnan(self.value) else float(self.value),
            "limit": None if math.isnan(self.limit) else float(self.limit),
            "message": self.message,
        }


@dataclass(frozen=True)
class Program:
    """Motions in the order of the text, one entry each. Lengths mm, feeds mm/min.

    Attributes
    ----------
    start, end : (n, 3) float64; NaN in an axis whose position is not known yet (before the first word of that
        axis, or after a return to a machine position).
    kind : (n,) uint8, see `Motion`.
    centre : (n, 3) float64; arc centre, NaN on lines. Its component along the plane's normal is that of
    ``start``.
    sweep : (n,) float64, radians; signed angle turned about the normal of the plane, 0 on lines.
    plane : (n,) uint8; 17, 18 or 19.
    feed : (n,) float64; along the path (helix included); 0 on rapids, NaN where the text gives none.
    line : (n,) int32; line of the text, from 1.
    spindle : (n,) float64; 1/min, positive clockwise (M3), negative M4, 0 stopped.
    tool : (n,) int32; number in the spindle, 0 when none was called.
    exact_stop : (n,) bool; the control must come to rest at the end.
    findings : what is wrong with the text or not understood.
    units : ``"mm"`` or ``"inch"``, as the first unit word says, ``""`` when there is none.
    units_line : its line.
    work_offset : the word used, such as ``"G54"``; ``""`` when none.
    dwells : (line, seconds) of each G4.
    tool_changes : lines with M6.
    lines : number of lines read.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    kind: NDArray[np.uint8]
    centre: NDArray[np.float64]
    sweep: NDArray[np.float64]
    plane: NDArray[np.uint8]
    feed: NDArray[np.float64]
    line: NDArray[np.int32]
    spindle: NDArray[np.float64]
    tool: NDArray[np.int32]
    exact_stop: NDArray[np.bool_]
    findings: tuple[Finding, ...]
    units: str
    units_line: int
    work_offset: str
    dwells: tuple[tuple[int, float], ...]
    tool_changes: tuple[int, ...]
    lines: int

    def __len__(self) -> int:
        return len(self.kind)

    def lengths(self) -> NDArray[np.float64]:
        """Length of each motion along its path, mm, shape (n,); NaN where an end is not known."""
        step = self.end - self.start
        straight: NDArray[np.float64] = np.sqrt((step**2).sum(axis=1))
        arcs = np.flatnonzero(self.sweep)
        for plane, (first, second, normal) in _PLANE_AXES.items():
            at = arcs[self.plane[arcs] == plane]
            if at.size:
                radius = np.hypot(
                    self.start[at, first] - self.centre[at, first],
                    self.start[at, second] - self.centre[at, second],
                )
                straight[at] = np.hypot(radius * np.abs(self.sweep[at]), step[at, normal])
        return straight


#: Plane word -> first axis, second axis, normal axis: G17 XY, G18 ZX, G19 YZ.
_PLANE_AXES = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}
_AXES = "XYZ"
_CENTRE = "IJK"

_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
_HUGE = re.compile(r"(?<![\d.])\d{9}").search
_COMMENT = re.compile(r"\([^()]*\)")
_SIMPLE = re.compile(
    r"(?:N\d+)?(?:G0?([0-3])(?!\d|\.))?"
    r"(?:X([+-]?(?:\d+\.?\d*|\.\d+)))?(?:Y([+-]?(?:\d+\.?\d*|\.\d+)))?(?:Z([+-]?(?:\d+\.?\d*|\.\d+)))?"
    r"(?:I([+-]?(?:\d+\.?\d*|\.\d+)))?(?:J([+-]?(?:\d+\.?\d*|\.\d+)))?(?:F(\d+\.?\d*|\.\d+))?"
).fullmatch

# Modal groups of NIST IR 6556 table 4, G numbers times ten; two words of one group on a line are an error.
_GROUPS = {
    "motion": {0, 10, 20, 30, 330, 382, 800, 810, 820, 830, 840, 850, 860, 870, 880, 890},
    "plane": {170, 180, 190},
    "distance": {900, 910},
    "centre distance": {901, 911},
    "feed mode": {930, 940, 950},
    "units": {200, 210, 700, 710},
    "radius compensation": {400, 410, 420},
    "length offset": {430, 490},
    "return": {980, 990},
    "offset": {540, 550, 560, 570, 580, 590, 591, 592, 593},
    "path": {600, 610, 611, 640},
}
_GROUP_OF = {code: name for name, codes in _GROUPS.items() for code in codes}
_QUIET_G = {490, 980, 990, 970, 150, 800, 690, 500, 400, 90}
_QUIET_M = {0, 1, 2, 7, 8, 9, 30, 48, 49, 60, 10, 11}
_OTHER_LETTERS = {"H", "D", "O", "N"}


def _word(code: int) -> str:
    return f"G{code // 10}" if code % 10 == 0 else f"G{code / 10:.1f}"


class _Reader:
    """Modal state and the rows collected so far."""

    def __init__(self, default_units: str, executed_blocks: bool) -> None:
        self.findings: list[Finding] = []
        self.executed_blocks = executed_blocks
        self.scale = INCH if default_units == "inch" else 1.0
        self.units = ""
        self.units_line = 0
        self.motion: int | None = None
        self.plane = 17
        self.absolute = True
        self.absolute_centre = False
        self.feed_mode = 940
        self.feed = math.nan  # mm/min, or mm/rev, or 1/min for inverse time
        self.feed_told = False
        self.speed = 0.0
        self.turning = 0  # +1 clockwise, -1 counter-clockwise, 0 stopped
        self.tool_next = 0
        self.tool = 0
        self.exact = False
        self.offset = ""
        self.at = [math.nan, math.nan, math.nan]
        self.dwells: list[tuple[int, float]] = []
        self.changes: list[int] = []
        self.ended = False
        self.rows: list[tuple[float, ...]] = []
        self.line = 0
        self.told: set[str] = set()
        self.per_mode_words = False

    # -- findings ---------------------------------------------------------------------------------
    def find(self, code: str, message: str, value: float = math.nan, limit: float = math.nan) -> None:
        place = (self.at[0], self.at[1], self.at[2])
        message = "".join(c if c.isprintable() else "?" for c in message)  # the text may hold anything
        self.findings.append(Finding(code, self.line, place, value, limit, f"line {self.line}: {message}"))

    def find_once(self, key: str, code: str, message: str) -> None:
        if key not in self.told:
            self.told.add(key)
            self.find(code, message)

    # -- one line ---------------------------------------------------------------------------------
    def read_line(self, raw: str) -> None:
        text = raw.upper()
        if len(raw) > LINE_LIMIT:
            self.find(
                "line-too-long",
                f"{len(raw)} characters, {LINE_LIMIT} allowed; split the line",
                len(raw),
                LINE_LIMIT,
            )
        if "(" in text or ")" in text or ";" in text:
            text = _COMMENT.sub("", text).split(";", 1)[0]
            if "(" in text or ")" in text:
                self.find("not-understood", "a comment is not closed on its line; close it with ')'")
                text = re.split(r"[()]", text, maxsplit=1)[0]
        text = "".join(text.split())
        if not text:
            return
        if text[0] == "/":
            self.find_once("/", "block-delete", "lines marked '/' are read as if the delete switch were off")
            if not self.executed_blocks:
                return
            text = text[1:].lstrip("123456789") if text[1:2].isdigit() else text[1:]
            if not text:
                return
        if _HUGE(text) is not None:
            self.find("number-too-large", "a number has 9 or more digits before its point; line skipped")
            return
        if self.ended:
            self.find_once("after", "after-end", "text after the end of the program is not run")
            return
        simple = _SIMPLE(text) if self.feed_mode == 940 and self.plane == 17 else None
        if simple is not None:
            self.simple(*simple.groups())
        else:
            self.full(text)

    def simple(
        self,
        g: str | None,
        x: str | None,
        y: str | None,
        z: str | None,
        i: str | None,
        j: str | None,
        f: str | None,
    ) -> None:
        """The commonest line: at most one motion word, XYZ IJ F, no other state touched."""
        if f is not None:
            self.feed = float(f) * self.scale
            self.feed_told = False
        words = {}
        if x is not None:
            words["X"] = float(x)
        if y is not None:
            words["Y"] = float(y)
        if z is not None:
            words["Z"] = float(z)
        if i is not None:
            words["I"] = float(i)
        if j is not None:
            words["J"] = float(j)
        if g is not None:
            self.motion = int(g) * 10
            if not words:
                if g in "01":
                    return  # a bare G0 or G1 only sets the mode on most controls
                self.find("arc", f"G{g} needs an end point and a centre")
                return
        if words:
            self.move(words, f is not None)

    def full(self, text: str) -> None:
        words: dict[str, float] = {}
        codes: list[int] = []
        misc: list[int] = []
        position = 0
        while position < len(text):
            match = _WORD.match(text, position)
            if match is None:
                self.find(
                    "not-understood",
                    f"cannot read '{text[position : position + 24]}'; the rest of the line is skipped",
                )
                break
            position = match.end()
            letter, number = match.group(1), float(match.group(2))
            if letter == "G":
                codes.append(round(number * 10))
            elif letter == "M":
                misc.append(round(number))
            elif letter in words and letter != "N":
                self.find("repeated-word", f"{letter} stands twice on the line; only the last is used")
                words[letter] = number
            else:
                words[letter] = number
        self.run(words, codes, misc)

    def run(self, words: dict[str, float], codes: list[int], misc: list[int]) -> None:
        """Order of execution: NIST IR 6556 table 8."""
        seen: dict[str, int] = {}
        for code in codes:
            group = _GROUP_OF.get(code)
            if group is not None:
                if group in seen:
                    self.find(
                        "modal-group",
                        f"{_word(seen[group])} and {_word(code)} exclude each other on one line",
                    )
                seen[group] = code
        for code in codes:
            if code in (930, 940, 950) and code != self.feed_mode:
                self.feed_mode = code
                self.feed = math.nan
                self.feed_told = False
            elif code in (200, 700, 210, 710):
                self.set_units(code)
        self.feed_given = "F" in words
        if self.feed_given:
            value = words.pop("F")
            self.feed = value if self.feed_mode == 930 else value * self.scale
            self.feed_told = False
        if "S" in words:
            value = words.pop("S")
            if value < 0:
                self.find("spindle", f"S{value:g} is negative", value, 0.0)
            self.speed = abs(value)
        if "T" in words:
            self.tool_next = round(words.pop("T"))
        self.run_misc(misc)
        self.run_modes(codes, words)
        axis_words = {k: v for k, v in words.items() if k in "XYZIJKR"}
        used_axes = self.run_nonmodal(codes, axis_words, words)
        for letter in words:
            if letter not in "XYZIJKRPLQ" and letter not in _OTHER_LETTERS:
                self.find(
                    "not-understood",
                    f"the word {letter}{words[letter]:g} is not understood (only X, Y, Z move)",
                )
        if "O" in words and (axis_words or words["O"] != round(words["O"])):
            self.find(
                "not-understood",
                "the letter O among numbers; a 0 is meant, or the program's number stands alone",
            )
        for code in codes:
            if code in (0, 10, 20, 30):
                self.motion = code
        if axis_words and not used_axes:
            self.move(axis_words, self.feed_given)
        elif "motion" in seen and seen["motion"] in (20, 30):
            self.find("arc", f"{_word(seen['motion'])} needs an end point and a centre")
        if any(m in (2, 30) for m in misc):
            self.ended = True
            self.turning = 0

    def set_units(self, code: int) -> None:
        units = "inch" if code in (200, 700) else "mm"
        scale = INCH if units == "inch" else 1.0
        if not self.units:
            self.units, self.units_line = units, self.line
            if self.rows:
                self.find("units-late", f"{_word(code)} stands after the first motion; put it at the start")
        elif scale != self.scale:
            self.find("units-change", f"{_word(code)} changes the unit in the middle of the program")
        if scale != self.scale and not math.isnan(self.feed):
            self.feed = math.nan if self.feed_mode != 930 else self.feed
        self.scale = scale

    def run_misc(self, misc: list[int]) -> None:
        for code in misc:
            if code == 3:
                self.turning = 1
            elif code == 4:
                self.turning = -1
            elif code in (5, 13, 14):
                self.turning = 0 if code == 5 else (1 if code == 13 else -1)
            elif code == 6:
                self.tool = self.tool_next
                self.turning = 0
                self.changes.append(self.line)
            elif code in (98, 99, 97, 96):
                self.find("not-understood", f"M{code}: subprograms are not followed; put their text in line")
            elif code not in _QUIET_M:
                self.find_once(
                    f"M{code}", "unknown-m", f"M{code} is not known to the reader and changes nothing here"
                )

    def run_modes(self, codes: list[int], words: dict[str, float]) -> None:
        for code in codes:
            if code in (170, 180, 190):
                self.plane = code // 10
            elif code in (900, 910):
                self.absolute = code == 900
            elif code in (901, 911):
                self.absolute_centre = code == 901
            elif code in (600, 610, 611):
                self.exact = True
            elif code == 640:
                self.exact = False
                words.pop("P", None)
                words.pop("Q", None)
            elif code in (410, 420):
                self.find(
                    "not-understood",
                    f"{_word(code)}: cutter radius compensation is not followed; the path is read as written",
                )
            elif code == 430:
                if "H" not in words:
                    self.find_once(
                        "H", "length-offset", "G43 without H: the control's current number is used"
                    )
                elif self.tool and round(words["H"]) != self.tool:
                    self.find_once(
                        f"H{words['H']:g}",
                        "length-offset",
                        f"G43 H{words['H']:g} while T{self.tool} is in the spindle: "
                        "is that the length of this tool?",
                    )
            elif 540 <= code <= 593:
                name = _word(code)
                if self.offset and name != self.offset:
                    self.find(
                        "offset-change",
                        f"{name} follows {self.offset}; how the two stand to each other is not known",
                    )
                self.offset = name

    def run_nonmodal(self, codes: list[int], words: dict[str, float], other: dict[str, float]) -> bool:
        """G4, G28, G30, G53, G92, canned cycles and the unknown; True if the axis words are used up."""
        used = False
        known = {0, 10, 20, 30, 410, 420, 430}
        for code in codes:
            if code == 40:
                self.dwell(words, other)
            elif code in (280, 300):
                self.reference(words, code)
                used = True
            elif code == 530:
                self.lost(words, code)
                used = True
            elif code in known or code in _QUIET_G or _GROUP_OF.get(code, "motion") != "motion":
                continue
            else:
                self.find(
                    "not-understood", f"{_word(code)} is not understood; its words on this line are skipped"
                )
                used = True
        return used

    def dwell(self, words: dict[str, float], other: dict[str, float]) -> None:
        self.dwells.append((self.line, 0.0))
        seconds = other.pop("P", None)  # NIST IR 6556, 3.5.4; some controls take X instead
        if seconds is None:
            seconds = words.pop("X", 0.0)
        self.dwells[-1] = (self.line, seconds)

    def reference(self, words: dict[str, float], code: int) -> None:
        through = {k: v for k, v in words.items() if k in _AXES}
        if through and any(self.goal(words)[k] != self.at[k] for k in range(3) if _AXES[k] in words):
            saved, self.motion = self.motion, 0
            self.move(through, False)
            self.motion = saved
        self.lost(words, code)

    def lost(self, words: dict[str, float], code: int) -> None:
        for k in range(3):
            if _AXES[k] in words or (code == 280 and not words):
                self.at[k] = math.nan
        self.find(
            "machine-position", f"{_word(code)} goes to a position of the machine; that motion is not checked"
        )

    # -- motion -----------------------------------------------------------------------------------
    def goal(self, words: dict[str, float]) -> list[float]:
        out = list(self.at)
        for k in range(3):
            value = words.get(_AXES[k])
            if value is not None:
                value *= self.scale
                out[k] = value if self.absolute else self.at[k] + value
        return out

    def move(self, words: dict[str, float], feed_given: bool) -> None:
        motion = self.motion
        if motion is None:
            self.find("motion-missing", "axis words before any of G0, G1, G2, G3; read as G1")
            motion = self.motion = 10
        start, end = list(self.at), self.goal(words)
        if not self.absolute and any(_AXES[k] in words and math.isnan(start[k]) for k in range(3)):
            self.find("start-unknown", "an incremental motion from a position that is not known")
        if motion in (20, 30):
            self.arc(words, start, end, motion, feed_given)
        else:
            if "I" in words or "J" in words or "K" in words or "R" in words:
                self.find("not-understood", "I, J, K or R on a straight motion")
            if not ("X" in words or "Y" in words or "Z" in words):
                return
            if motion == 10 and any(math.isnan(v) for v in start):
                self.find_once(
                    "start",
                    "start-unknown",
                    "a feed motion from a position that is not known; begin with G0 X Y Z",
                )
            length = math.dist(start, end)
            feed = 0.0 if motion == 0 else self.speed_of(length, feed_given)
            self.add(start, end, Motion.RAPID if motion == 0 else Motion.LINE, (math.nan,) * 3, 0.0, feed)
        self.at = end

    def speed_of(self, length: float, given: bool) -> float:
        if self.feed_mode == 930:
            if not given:
                self.find("feed-missing", "inverse time (G93) needs F on every cutting line")
                return math.nan
            return length * self.feed
        feed = self.feed * self.speed if self.feed_mode == 950 else self.feed
        if not feed > 0.0 and not self.feed_told:
            self.feed_told = True  # once until another F comes
            if math.isnan(feed):
                self.find("feed-missing", "a cutting motion and no feed F is in force", math.nan, 0.0)
            else:
                self.find("feed-zero", "the feed is zero", feed, 0.0)
        return feed

    def arc(
        self, words: dict[str, float], start: list[float], end: list[float], motion: int, given: bool
    ) -> None:
        first, second, normal = _PLANE_AXES[self.plane]
        turn = 1 if motion == 30 else -1
        if any(math.isnan(start[k]) for k in (first, second)):
            self.find("start-unknown", "an arc from a position that is not known")
            return
        centre = (
            self.centre_by_radius(words, start, end, turn)
            if "R" in words
            else self.centre_by_ijk(words, start, end)
        )
        if centre is None:
            self.add(
                start, end, Motion.LINE, (math.nan,) * 3, 0.0, self.speed_of(math.dist(start, end), given)
            )
            return
        a0 = math.atan2(start[second] - centre[second], start[first] - centre[first])
        a1 = math.atan2(end[second] - centre[second], end[first] - centre[first])
        sweep = (turn * (a1 - a0)) % (2.0 * math.pi)
        chord = math.hypot(end[first] - start[first], end[second] - start[second])
        if chord < 1e-9:
            sweep = 2.0 * math.pi
        radius = math.hypot(start[first] - centre[first], start[second] - centre[second])
        rise = 0.0 if math.isnan(start[normal]) else end[normal] - start[normal]
        length = math.hypot(radius * sweep, rise)
        kind = Motion.CCW if turn > 0 else Motion.CW
        self.add(
            start, end, kind, (centre[0], centre[1], centre[2]), turn * sweep, self.speed_of(length, given)
        )

    def centre_by_ijk(
        self, words: dict[str, float], start: list[float], end: list[float]
    ) -> list[float] | None:
        first, second, normal = _PLANE_AXES[self.plane]
        letters = _CENTRE[first], _CENTRE[second]
        if not any(k in words for k in letters):
            self.find("arc", f"an arc needs {letters[0]} or {letters[1]}, or R")
            return None
        if not (_AXES[first] in words or _AXES[second] in words):
            self.find(
                "arc", f"an arc needs {_AXES[first]} or {_AXES[second]}; a full circle repeats one of them"
            )
            return None
        if _CENTRE[normal] in words:
            self.find("arc", f"{_CENTRE[normal]} has no meaning in G{self.plane}")
        centre = list(start)
        for axis in (first, second):
            value = words.get(_CENTRE[axis], 0.0) * self.scale
            centre[axis] = value if self.absolute_centre else start[axis] + value
        r0 = math.hypot(start[first] - centre[first], start[second] - centre[second])
        r1 = math.hypot(end[first] - centre[first], end[second] - centre[second])
        limit = ARC_MISMATCH_INCH * INCH if self.scale == INCH else ARC_MISMATCH_MM
        if abs(r0 - r1) > limit + 1e-12:
            self.find(
                "arc-radius",
                f"the arc's radius is {r0:.4f} mm at its start and {r1:.4f} mm at its end; "
                f"{limit:.4f} mm apart is allowed",
                abs(r0 - r1),
                limit,
            )
        if r0 < 1e-9:
            self.find("arc", "the arc's centre is its start point")
            return None
        return centre

    def centre_by_radius(
        self, words: dict[str, float], start: list[float], end: list[float], turn: int
    ) -> list[float] | None:
        first, second, _ = _PLANE_AXES[self.plane]
        if any(_CENTRE[k] in words for k in range(3)):
            self.find("arc", "an arc by R and by centre words at once")
        radius = words["R"] * self.scale
        dx, dy = end[first] - start[first], end[second] - start[second]
        chord = math.hypot(dx, dy)
        if chord < 1e-9:
            self.find("arc", "an arc by R needs an end point other than its start")
            return None
        high = radius * radius - 0.25 * chord * chord
        limit = ARC_MISMATCH_INCH * INCH if self.scale == INCH else ARC_MISMATCH_MM
        if high < 0.0:
            short = 0.5 * chord - abs(radius)
            if short > limit:
                self.find(
                    "arc-radius",
                    f"R {abs(radius):.4f} mm cannot span a chord of {chord:.4f} mm",
                    short,
                    limit,
                )
            high = 0.0
        # The centre lies left of the chord for a counter-clockwise arc of up to 180 degrees.
        side = turn * (1.0 if radius > 0.0 else -1.0)
        off = side * math.sqrt(high) / chord
        centre = list(start)
        centre[first] = start[first] + 0.5 * dx - off * dy
        centre[second] = start[second] + 0.5 * dy + off * dx
        return centre

    def add(
        self,
        start: list[float],
        end: list[float],
        kind: int,
        centre: tuple[float, ...],
        sweep: float,
        feed: float,
    ) -> None:
        self.rows.append(
            (
                *start,
                *end,
                kind,
                *centre,
                sweep,
                self.plane,
                feed,
                self.line,
                self.turning * self.speed,
                self.tool,
                self.exact,
            )
        )


def read(text: str, default_units: str = "mm", block_delete: bool = False) -> Program:
    """NC text -> `Program`.

    Parameters
    ----------
    text : the whole program.
    default_units : ``"mm"`` or ``"inch"``; used until a unit word comes.
    block_delete : leave out lines marked ``/``.

    Raises
    ------
    NcError : the text holds no motion at all, or is no text.
    """
    if "\x00" in text:
        raise NcError("the NC text holds binary data (a zero character); give a text file")
    reader = _Reader(default_units, not block_delete)
    lines = text.splitlines()
    percents = 0
    for number, raw in enumerate(lines, 1):
        reader.line = number
        mark = raw.strip()
        if mark.startswith("%"):
            percents += 1
            if percents == 2:
                break
            continue
        reader.read_line(raw)
    if not reader.rows:
        hint = f"; first trouble: {reader.findings[0].message}" if reader.findings else ""
        raise NcError(f"the NC text of {len(lines)} lines holds no motion{hint}")
    _closing_findings(reader, percents)
    return _program(reader, len(lines))


def _closing_findings(reader: _Reader, percents: int) -> None:
    if not reader.units:
        reader.line = 0
        reader.findings.append(
            Finding(
                "units-unstated",
                0,
                NOWHERE,
                math.nan,
                math.nan,
                "no unit word (G20/G21 or G70/G71) in the program",
            )
        )
    if not reader.ended and percents != 2:
        reader.findings.append(
            Finding(
                "no-end",
                reader.line,
                NOWHERE,
                math.nan,
                math.nan,
                "the program has no M2 or M30, nor a second %",
            )
        )


def _program(reader: _Reader, lines: int) -> Program:
    table = np.array(reader.rows, dtype=np.float64)
    return Program(
        start=np.ascontiguousarray(table[:, 0:3]),
        end=np.ascontiguousarray(table[:, 3:6]),
        kind=table[:, 6].astype(np.uint8),
        centre=np.ascontiguousarray(table[:, 7:10]),
        sweep=np.ascontiguousarray(table[:, 10]),
        plane=table[:, 11].astype(np.uint8),
        feed=np.ascontiguousarray(table[:, 12]),
        line=table[:, 13].astype(np.int32),
        spindle=np.ascontiguousarray(table[:, 14]),
        tool=table[:, 15].astype(np.int32),
        exact_stop=table[:, 16].astype(np.bool_),
        findings=tuple(reader.findings),
        units=reader.units,
        units_line=reader.units_line,
        work_offset=reader.offset,
        dwells=tuple(reader.dwells),
        tool_changes=tuple(reader.changes),
        lines=lines,
    )
