"""Slow twin of the contact search: numeric maximisation, no formula for contact points.

Tip height of a cutter at a plan point = greatest (height - profile) over all surface points below it. On one
triangle this is a concave function, so nested three-way sections close in on the maximum. Imports nothing
from the package; compiled only to be bearable.
"""

import numpy as np
from numba import njit

BEYOND = 1.0e4  # slope given to the profile outside the cutter, steeper than any test triangle
ROUNDS = 80  # each leaves two thirds of the interval: 1e-14 of it at the end


@njit
def profile_height(d, radius, corner, lower, length):
    """Height above the tip at plan distance d, mm: corner circle, or (``length`` > 0) a cone of two radii."""
    over = BEYOND * max(d - radius, 0.0)
    if length > 0.0:
        if radius <= lower:
            return over
        return over + length * min(max(d - lower, 0.0) / (radius - lower), 1.0)
    e = min(max(d - (radius - corner), 0.0), corner)
    return over + corner - np.sqrt(max(corner * corner - e * e, 0.0))


@njit
def _value(tri, x, y, lam, mu, radius, corner, lower, length, plan):
    """Height less profile at one point of the triangle; with ``plan``: less the plan distance alone."""
    px = (1.0 - mu) * tri[0, 0] + mu * ((1.0 - lam) * tri[1, 0] + lam * tri[2, 0])
    py = (1.0 - mu) * tri[0, 1] + mu * ((1.0 - lam) * tri[1, 1] + lam * tri[2, 1])
    d = np.sqrt((px - x) ** 2 + (py - y) ** 2)
    if plan:
        return -d
    pz = (1.0 - mu) * tri[0, 2] + mu * ((1.0 - lam) * tri[1, 2] + lam * tri[2, 2])
    return pz - profile_height(d, radius, corner, lower, length)


@njit
def _along(tri, x, y, lam, radius, corner, lower, length, plan):
    """Greatest value on the line from the first corner to a point of the opposite side."""
    low, high = 0.0, 1.0
    best = max(
        _value(tri, x, y, lam, 0.0, radius, corner, lower, length, plan),
        _value(tri, x, y, lam, 1.0, radius, corner, lower, length, plan),
    )
    for _ in range(ROUNDS):
        left, right = low + (high - low) / 3.0, high - (high - low) / 3.0
        f = _value(tri, x, y, lam, left, radius, corner, lower, length, plan)
        g = _value(tri, x, y, lam, right, radius, corner, lower, length, plan)
        best = max(best, f, g)
        if f < g:
            low = left
        else:
            high = right
    return best


@njit
def _over(tri, x, y, radius, corner, lower, length, plan):
    """Greatest value on the whole triangle."""
    low, high = 0.0, 1.0
    best = max(
        _along(tri, x, y, 0.0, radius, corner, lower, length, plan),
        _along(tri, x, y, 1.0, radius, corner, lower, length, plan),
    )
    for _ in range(ROUNDS):
        left, right = low + (high - low) / 3.0, high - (high - low) / 3.0
        f = _along(tri, x, y, left, radius, corner, lower, length, plan)
        g = _along(tri, x, y, right, radius, corner, lower, length, plan)
        best = max(best, f, g)
        if f < g:
            low = left
        else:
            high = right
    return best


@njit
def tip_heights(triangles, xy, radius, corner, lower=0.0, length=0.0):
    """Tip height at each plan point, (n,), from all triangles (m, 3, 3); -inf where none is below."""
    out = np.full(len(xy), -np.inf)
    for k in range(len(xy)):
        x, y = xy[k, 0], xy[k, 1]
        for t in range(len(triangles)):
            tri = triangles[t]
            if tri[:, 2].max() <= out[k]:
                continue
            if -_over(tri, x, y, radius, corner, lower, length, True) <= radius:
                out[k] = max(out[k], _over(tri, x, y, radius, corner, lower, length, False))
    return out
