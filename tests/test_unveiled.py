"""Walks planned while a curtain hid part of the ground: what they meet there counts all the same.

The ground is a straight film: all of y >= ``film`` is swept, and a walk along y = radius takes what stands
above y = 0. On it a rim of that radius meets an arc of acos(1 - film / radius).
"""

from __future__ import annotations

import math

import numpy as np

from zrough import unveiled
from zrough.curtain import Curtain
from zrough.pieces import Frame, Level, Piece, Rules
from zrough.rings import Clearing

RADIUS, CELL = 6.0, 0.2
CAP = math.radians(50.0)
STEP = 0.15


def clearing(film, edge=-math.inf):
    """Ground swept down to y = ``film``, and wholly where x < ``edge``."""
    frame = Frame(-20.0, -20.0, CELL, 201, 201)
    at = frame.x0 + frame.hd * np.arange(frame.fine[1])
    away = np.maximum(RADIUS + film - at[:, None], 0.0) * np.ones((1, len(at)))
    away[:, at < edge] = 0.0
    rules = Rules(
        radius=RADIUS, corner=0.0, cap=CAP, margin=0.01, step=STEP, rho=0.36, rho_seek=RADIUS, ease_in=0.36,
        eps=0.003, drop_area=0.02, sliver=0.007, air=1.8,
    )  # fmt: skip
    level = Level(np.full((frame.ny, frame.nx), 0.8, np.float32), np.zeros((0, 2)), np.zeros(1, np.int64), [])
    return Clearing(frame, (away**2).astype(np.float32), rules), level


def walked(film, start, way=None, edge=-math.inf, room=0.0):
    """A walk from ``start`` to x = 10, planned with all beyond x = ``room`` hidden; its zone ends at 0."""
    work, _ = clearing(film, edge)
    zone = np.zeros(work.frame.coarse, bool)
    column = work.frame.x0 + work.frame.hb * np.arange(work.frame.coarse[1])
    zone[:, column < 0.0] = True
    work.shut = ~zone
    seen = np.zeros_like(zone)
    seen[:, column < room] = True
    curtain = Curtain.draw(work, seen)
    x = np.arange(start, 10.0 + 0.5 * STEP, STEP)
    points = np.stack([x, np.full(len(x), RADIUS)], axis=1)
    shown = math.acos(1.0 - film / RADIUS)
    pieces = [Piece(points, np.where(x < room, min(shown, CAP), 0.0), way)]
    unveiled.lift(work, curtain, pieces)
    return work, pieces


def test_a_walk_beyond_the_zone_has_the_arc_that_it_meets():
    film = 0.5
    work, (piece,) = walked(film, -18.0, edge=-11.0)
    assert piece.points[-1, 0] > 9.9
    beyond = piece.points[:, 0] > 1.0
    np.testing.assert_allclose(piece.arcs[beyond], math.acos(1.0 - film / RADIUS), atol=math.radians(0.5))
    at = work.frame.x0 + work.frame.hd * np.arange(work.frame.fine[1])
    swept = work.d2[:, (at > 1.0) & (at < 9.0)] <= RADIUS**2
    assert swept[(at > 0.1) & (at < 2.0 * RADIUS)].all()  # the walk is in the map


def test_a_walk_ends_beyond_its_zone_where_hidden_ground_would_pass_the_cap():
    """A film that grows along the walk: shown up to x = 4, it passes the cap farther on."""
    _, (piece,) = walked(1.2 * RADIUS * (1.0 - math.cos(CAP)), 1.0, edge=5.0, room=2.0)
    assert 0.0 < piece.arcs.max() <= CAP
    assert 1.0 < piece.points[-1, 0] < 5.0 + STEP
    assert len(piece.points) == len(piece.arcs)


def test_within_its_zone_a_walk_is_cut_as_planned():
    film = 1.2 * RADIUS * (1.0 - math.cos(CAP))
    _, (piece,) = walked(film, -18.0, edge=-11.0)
    assert piece.points[-1, 0] > 9.9
    want = math.acos(1.0 - film / RADIUS)
    np.testing.assert_allclose(piece.arcs[piece.points[:, 0] > 1.0], want, atol=math.radians(0.5))


def test_a_way_that_would_cut_hidden_ground_is_given_up():
    way = np.array([[8.0, RADIUS], [-18.0, RADIUS]])
    _, (piece,) = walked(0.5, -18.0, way, edge=-11.0)
    assert piece.way is None


def test_what_is_shown_reaches_a_radius_beyond_the_zone():
    work, _ = clearing(0.5)
    zone = np.zeros(work.frame.coarse, bool)
    zone[40:60, 40:60] = True
    i, j = np.nonzero(unveiled.widened(work, zone))
    away = work.frame.hb * np.hypot(*(np.maximum(np.maximum(40 - q, q - 59), 0) for q in (i, j)))
    assert RADIUS + work.frame.hb < away.max() < RADIUS + 3.0 * work.frame.hb


def test_no_walk_begins_outside_the_zone():
    """All of y < 0.5 stands; only where x < 0 it may be gone for."""
    work, level = clearing(0.5)
    zone = np.zeros(work.frame.coarse, bool)
    zone[:, : round((0.0 - work.frame.x0) / work.frame.hb)] = True
    work.shut = ~zone
    pieces = work.run(level, None, 0.03)
    assert pieces
    assert max(piece.points[0, 0] for piece in pieces) < 1.0
    assert not work.left or max(u.x for u in work.left) < 1.0


def test_walks_that_stay_away_from_hidden_ground_are_left_alone():
    work, _ = clearing(0.5)
    zone = np.zeros(work.frame.coarse, bool)
    zone[:, :75] = True
    before = work.d2.copy()
    curtain = Curtain.draw(work, zone)
    x = np.arange(-18.0, -12.0, STEP)
    arcs = np.full(len(x), 0.1)
    pieces = [Piece(np.stack([x, np.full(len(x), RADIUS)], axis=1), arcs, None)]
    unveiled.lift(work, curtain, pieces)
    assert pieces[0].arcs is arcs
    np.testing.assert_array_equal(work.d2, before)
