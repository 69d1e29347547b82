"""What earlier cuts left at the rim of a way down, against distances that shapely measures."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import LineString, Point
from shapely.ops import unary_union

from zrough import films
from zrough.links import Track
from zrough.toolpath import Kind

RADIUS, TOP = 6.0, 0.0


def arc(centre, radius, first, sweep, count=721):
    t = np.radians(first) + np.radians(sweep) * np.linspace(0.0, 1.0, count)
    return np.asarray(centre) + radius * np.stack([np.cos(t), np.sin(t)], axis=1)


def cut(track, points, z, kind=Kind.CUT):
    """Straight moves at ``z``, come down upon from above the stock."""
    points = np.asarray(points, float)
    track.add(np.array([[*points[0], 9.0], [*points[0], z]]), Kind.DROP, 1.0, 0)
    track.add(np.column_stack([points[1:], np.full(len(points) - 1, z)]), kind, 1.0, 0)


def half_turns(track, centre, radius, z):
    """Two half circles at ``z``."""
    x, y = centre
    track.add(np.array([[x + radius, y, 9.0], [x + radius, y, z]]), Kind.DROP, 1.0, 0)
    ends = np.array([[x - radius, y, z], [x + radius, y, z]])
    track.add(ends, Kind.CUT, 1.0, 0, np.ones(2, np.int8), np.tile([x, y], (2, 1)))


def fillet(corner, inside):
    over = np.clip(corner - inside, 0.0, corner)
    return corner - np.sqrt(corner**2 - over**2)


def lowest_start(cuts, corner, centre, reach):
    """The same from shapely's distances: cuts as lines with their heights."""
    worst = -np.inf
    for inside in np.arange(0.01, 0.5, 0.03):
        for x, y in arc(centre, reach - inside, 0.0, 360.0, 1441):
            left = TOP
            for line, z in cuts:
                away = line.distance(Point(x, y))
                if away < RADIUS:
                    left = min(left, z + fillet(corner, RADIUS - away))
            worst = max(worst, left - fillet(corner, inside))
    return worst


@pytest.mark.parametrize("corner", [0.0, 1.0, 6.0])
@pytest.mark.parametrize("film", [0.1, 0.03])
def test_a_film_thinner_than_any_node_is_told_with_its_height(corner, film):
    """Upper levels stop short of the rim over a few degrees, the lower of the two by more."""
    centre, bore = np.array([20.0, 30.0]), 1.5
    track, cuts = Track(), []
    for z, first, sweep in ((-4.0, 0.0, 360.0), (-8.0, 100.0, 310.0)):
        path = arc(centre, bore + 0.06, first, sweep)
        short = arc(centre, bore - film, first + sweep, 360.0 - sweep)
        whole = np.concatenate([path, short]) if sweep < 360.0 else path
        cut(track, whole, z)
        cut(track, arc(centre, 0.5 * bore, 0.0, 360.0), z)
        cuts += [(LineString(whole), z), (LineString(arc(centre, 0.5 * bore, 0.0, 360.0)), z)]
    found = films.Cuts(track.parts, RADIUS, corner).stands(centre, centre, bore + RADIUS, TOP)
    wanted = lowest_start(cuts, corner, centre, bore + RADIUS)
    # asked at a few places inside the rim, where a ball's underside rises 0.3 mm within 0.01
    assert found == pytest.approx(wanted, abs=0.06 * corner + 1e-9)
    assert found > -8.0 + 0.3  # the film, whose foot is the deeper level's floor
    assert found <= TOP


def test_arcs_count_as_they_bulge():
    """Half circles whose ends lie on one line sweep the ground on either side of it."""
    centre, bore = np.array([-5.0, 4.0]), 2.0
    track = Track()
    half_turns(track, centre, bore + 0.05, -3.0)
    half_turns(track, centre, 0.5, -3.0)
    cuts = films.Cuts(track.parts, RADIUS, 0.0)
    assert cuts.stands(centre, centre, bore + RADIUS, TOP) == pytest.approx(-3.0)
    assert cuts.stands(centre, centre, bore + RADIUS + 0.2, TOP) == TOP


def test_ground_that_stands_whole_and_parts_that_come_later():
    centre = np.array([0.0, 0.0])
    track = Track()
    cuts = films.Cuts(track.parts, RADIUS, 1.0)
    assert cuts.stands(centre, centre, 7.0, TOP) == pytest.approx(TOP - films.under(1.0, films.INSIDE[-1]))
    cut(track, [[-40.0, 0.0], [40.0, 0.0]], -5.0, Kind.LINK)
    assert cuts.stands(centre, centre, 7.0, TOP) > -1.0  # its sides stand
    for y in (-3.0, 3.0, -6.0, 6.0):
        cut(track, [[-40.0, y], [40.0, y]], -5.0)
    assert cuts.stands(centre, centre, 7.0, TOP) <= -5.0
    ends = np.array([-10.0, 0.0]), np.array([10.0, 0.0])
    assert cuts.stands(*ends, 7.0, TOP) <= -5.0
    assert cuts.stands(*ends, 12.5, TOP) > -1.0


@pytest.mark.parametrize("corner", [0.0, 1.0])
@pytest.mark.parametrize(("out", "place"), [(0.012, (1.0, -0.7)), (0.03, (-3.31, 2.0)), (0.004, (1.0, -0.7))])
def test_a_needle_where_three_passes_meet_is_told(corner, out, place):
    """Three straight passes all miss one place by ``out``; shapely finds what no pass covers."""
    needle, track, lines = np.array(place), Track(), []
    for z in (-4.0, -9.0):  # the upper level takes it, the lower one does not
        for turn in np.radians([10.0, 130.0, 250.0]):
            ahead, side = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
            for far in (RADIUS + out, 2.5 * RADIUS) if z < -5.0 else (0.0, 1.5 * RADIUS, 3.0 * RADIUS):
                ends = needle + far * side + np.array([[-60.0], [60.0]]) * ahead
                cut(track, ends, z)
                lines += [LineString(ends)] if z < -5.0 else []
    centre, reach = np.array([0.5, 0.5]), RADIUS + 1.5
    stands = Point(centre).buffer(reach - films.RIM, 256) - unary_union(
        [line.buffer(RADIUS, 256) for line in lines]
    )
    assert stands.distance(Point(needle)) < 1e-3
    assert stands.area < 0.01
    cuts = films.Cuts(track.parts, RADIUS, corner)
    found = cuts.needle(centre, centre, reach, -8.0, TOP)
    inside = reach - np.hypot(*(needle - centre))
    assert found == pytest.approx(-4.0 - fillet(corner, inside), abs=0.15 if inside < 1.0 else 0.02)
    # from above it nothing is in the way, and once a pass goes over it neither
    assert cuts.needle(centre, centre, reach, -3.9, TOP) == -np.inf
    cut(track, needle + np.array([[-20.0, 0.0], [20.0, 0.0]]), -9.0)
    assert cuts.needle(centre, centre, reach, -8.0, TOP) == -np.inf


def test_the_rim_runs_round_a_ramp():
    a, b = np.array([3.0, 1.0]), np.array([11.0, 7.0])
    rim = films.rim(a, b, 6.5)
    line = LineString([a, b])
    assert max(abs(line.distance(Point(p)) - 6.5) for p in rim) < 1e-9
    round_it = line.buffer(6.5, quad_segs=64).exterior
    gaps = [round_it.interpolate(s).distance(Point(q)) for s in np.linspace(0, round_it.length, 300)
            for q in [min(rim, key=lambda p, s=s: Point(p).distance(round_it.interpolate(s)))]]  # fmt: skip
    assert max(gaps) < films.APART
