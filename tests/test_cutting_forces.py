"""Force model against scipy's integrals, a slow twin made of slices, and the true path of a tooth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from zrough import cutting
from zrough.cutting import formulas as f
from zrough.cutting.kienzle import arc_integral
from zrough.errors import CuttingDataError


@dataclass(frozen=True)
class Metal:
    kc11: float = 1675.0
    mc: float = 0.24
    radial_share: float = 0.3


@dataclass(frozen=True)
class Mill:
    diameter: float = 12.0
    flutes: int = 4
    helix_deg: float = 38.0


powers = st.floats(0.4, 1.0)


@given(powers, st.floats(1e-3, math.pi))
@settings(max_examples=60, deadline=None)
def test_arc_integral_against_quadrature(power, phi):
    pieces = [0.0, min(phi, math.pi / 2), phi]
    exact = sum(quad(lambda t: math.sin(t) ** power, a, b, epsabs=1e-13)[0] for a, b in pairwise(pieces))
    assert arc_integral(power, phi) == pytest.approx(exact, rel=1e-5)


def test_arc_integral_closed_forms():
    # power 1: 1 - cos; power 0.5 over the half turn: B(3/4, 1/2), the beta function
    from scipy.special import beta

    phi = np.linspace(0.0, math.pi, 50)
    np.testing.assert_allclose(arc_integral(1.0, phi), 1.0 - np.cos(phi), rtol=1e-6, atol=1e-15)
    assert arc_integral(0.5, math.pi) == pytest.approx(beta(0.75, 0.5), rel=1e-6)


@pytest.mark.parametrize("phi_deg", [10.0, 36.87, 60.0, 90.0, 130.0, 180.0])
@pytest.mark.parametrize("mc", [0.2, 0.24, 0.3])
def test_chip_and_power_against_integration(phi_deg, mc):
    """Within 0.5 %: mean chip and mean power over the arc by scipy."""
    metal, mill, fz, axial, rpm = Metal(mc=mc), Mill(), 0.08, 20.0, 3000.0
    phi = math.radians(phi_deg)
    got = cutting.forces(metal, mill, phi_deg, axial, fz, rpm)
    mean = quad(lambda t: fz * math.sin(t), 0.0, phi)[0] / phi
    assert got.chip_mean == pytest.approx(mean, rel=1e-6)
    work = quad(lambda t: metal.kc11 * (fz * math.sin(t)) ** (1 - mc) * axial * 6.0, 0.0, phi, limit=200)[0]
    power = work * 4 * rpm / 60.0 / 1e6  # N mm a tooth pass -> kW
    assert got.power_kw == pytest.approx(power, rel=1e-4)
    assert got.torque_mean == pytest.approx(1e6 * power / (2 * math.pi * rpm / 60.0) / 1e3, rel=1e-4)
    assert got.tangential_mean * f.surface_speed(12.0, rpm) / 60000.0 == pytest.approx(power, rel=1e-4)


def true_chip(angle: float, fz: float, flutes: int, radius: float) -> float:
    """Chip thickness, mm, along the radius of a tooth on its real path, a trochoid; no approximation.

    The centre moves fz per tooth pitch while the cutter turns; the tooth before was a pitch earlier.
    """
    travel = fz * flutes / (2 * math.pi)  # mm per radian
    direction = np.array([math.cos(angle), math.sin(angle)])  # the feed runs along +y

    def gap(earlier: float) -> float:
        # the tooth before, at its angle `earlier`: its centre lay back by a pitch and by the turn between
        centre = np.array([0.0, -fz + travel * (earlier - angle)])
        point = centre + radius * np.array([math.cos(earlier), math.sin(earlier)])
        return point[0] * direction[1] - point[1] * direction[0]

    earlier = brentq(gap, angle - 0.4, angle + 0.4, xtol=1e-14)
    centre = np.array([0.0, -fz + travel * (earlier - angle)])
    point = centre + radius * np.array([math.cos(earlier), math.sin(earlier)])
    return radius - float(point @ direction)


@pytest.mark.parametrize(
    ("diameter", "flutes", "fz", "phi_deg"),
    [(12, 4, 0.05, 60.0), (16, 4, 0.09, 90.0), (10, 3, 0.06, 120.0), (12, 5, 0.06, 45.0)],
)
def test_true_tooth_path(diameter, flutes, fz, phi_deg):
    """The real chip differs from fz sin t by about fz / D: power and chip volume stay within 0.5 %."""
    radius, mc = 0.5 * diameter, 0.24
    phi = math.radians(phi_deg)
    start = brentq(lambda t: true_chip(t, fz, flutes, radius), -0.2, 0.2)  # where the chip really begins
    volume = quad(lambda t: true_chip(t, fz, flutes, radius), start, phi)[0]
    assert volume == pytest.approx(fz * (1 - math.cos(phi)), rel=0.005)
    thickest = true_chip(min(phi, math.pi / 2), fz, flutes, radius)
    assert thickest == pytest.approx(f.max_chip(fz, phi_deg), rel=0.005)
    work = quad(lambda t: max(true_chip(t, fz, flutes, radius), 0.0) ** (1 - mc), start, phi, limit=200)[0]
    got = cutting.forces(Metal(kc11=1.0, mc=mc), Mill(diameter, flutes), phi_deg, 1.0, fz, 1000.0)
    assert got.tangential_mean == pytest.approx(flutes * work / (2 * math.pi), rel=0.005)


@pytest.mark.parametrize("path_radius", [2.0, 6.0, 40.0])
def test_chip_on_an_arc_is_set_by_the_centre_feed(path_radius):
    """Two circles a tooth apart on a circular path: thickest chip = centre's feed x sin(engagement)."""
    radius, fz = 6.0, 0.02
    phi = math.radians(f.arc_engagement_deg(0.8, path_radius, radius))
    turn = fz / path_radius
    now = np.array([path_radius, 0.0])
    before = path_radius * np.array([math.cos(turn), -math.sin(turn)])
    ray = np.array([math.cos(phi), math.sin(phi)])  # from the outward direction, towards the uncut side
    along = ray @ (before - now)
    reach = along + math.sqrt(along**2 - (before - now) @ (before - now) + radius**2)
    assert radius - reach == pytest.approx(fz * math.sin(phi), rel=0.005)


def slices(metal: Metal, mill: Mill, phi_deg: float, axial: float, fz: float) -> tuple[float, float, float]:
    """Mean, peak and peak vector force by brute force: thin discs, every tooth, small turns of the cutter."""
    heights = (np.arange(150) + 0.5) * axial / 150
    lag = heights * math.tan(math.radians(mill.helix_deg)) / (0.5 * mill.diameter)
    turns = 2 * np.pi * (np.arange(2160) + 0.5) / 2160
    teeth = 2 * np.pi * np.arange(mill.flutes) / mill.flutes
    angle = np.mod(turns[:, None, None] + teeth[None, :, None] - lag[None, None, :], 2 * np.pi)
    inside = angle < math.radians(phi_deg)
    chip = np.where(inside, fz * np.abs(np.sin(angle)), 0.0)
    push = metal.kc11 * chip ** (1 - metal.mc) * axial / 150
    radial = metal.radial_share * push
    fx = (-push * np.sin(angle) - radial * np.cos(angle)).sum(axis=(1, 2))
    fy = (push * np.cos(angle) - radial * np.sin(angle)).sum(axis=(1, 2))
    tangential = push.sum(axis=(1, 2))
    return tangential.mean(), tangential.max(), np.hypot(fx, fy).max()


@pytest.mark.parametrize(
    ("mill", "phi", "axial"),
    [
        (Mill(), 60.0, 24.0),
        (Mill(flutes=2, helix_deg=30.0), 36.87, 10.0),
        (Mill(flutes=3, helix_deg=45.0), 100.0, 20.0),
        (Mill(flutes=6, helix_deg=10.0), 180.0, 6.0),
        (Mill(flutes=1, helix_deg=5.0), 90.0, 3.0),
        (Mill(flutes=5, helix_deg=0.0), 75.0, 15.0),
    ],
)
def test_peaks_against_slices(mill, phi, axial):
    metal, fz = Metal(), 0.07
    mean, peak, vector = slices(metal, mill, phi, axial, fz)
    got = cutting.forces(metal, mill, phi, axial, fz, 4000.0)
    assert got.tangential_mean == pytest.approx(mean, rel=0.005)
    assert got.tangential_peak == pytest.approx(peak, rel=0.01)
    assert got.bending_peak == pytest.approx(vector, rel=0.01)
    assert got.axial_peak == pytest.approx(peak * math.tan(math.radians(mill.helix_deg)), rel=0.01)


def test_handbook_power_is_the_upper_bound():
    """kc at the mean chip overstates the arc's mean a little (a concave power law): 0 to 5 %."""
    phi = np.linspace(5.0, 180.0, 40)
    fz, axial, rpm = 0.1, 24.0, 3978.87
    got = cutting.forces(Metal(), Mill(), phi, axial, fz, rpm, peaks=False)
    kc = f.specific_force(1675.0, 0.24, f.mean_chip(fz, phi))
    handbook = f.cutting_power(axial, 1.0, fz * 4 * rpm, 1.0) * kc * f.radial_ratio(phi) * 12.0
    ratio = got.power_kw / handbook
    assert ratio.max() <= 1.0
    assert ratio.min() > 0.95


def test_end_to_end_case():
    # computed here from the formulas (D12 z4 vc150 ae1.2 ap24): handbook 2.9436 kW, 7.0645 Nm, 0.40967 teeth
    got = cutting.forces(Metal(), Mill(), 36.870, 24.0, 0.1, 3978.87)
    assert got.teeth_in_cut == pytest.approx(0.40967, abs=1e-4)
    assert 0.95 < got.power_kw / 2.9436 < 1.0
    assert got.torque_mean / got.power_kw == pytest.approx(7.0645 / 2.9436, rel=1e-4)


def test_runout_raises_peaks_only():
    plain = cutting.forces(Metal(), Mill(), 50.0, 20.0, 0.08, 3000.0)
    bent = cutting.forces(Metal(), Mill(), 50.0, 20.0, 0.08, 3000.0, runout=0.02)
    gain = (1.0 + 0.02 * math.sin(math.pi / 4) / (0.08 * math.sin(math.radians(50.0)))) ** 0.76
    assert bent.tangential_peak == pytest.approx(plain.tangential_peak * gain)
    assert bent.power_kw == plain.power_kw


def test_nothing_touched_costs_nothing():
    got = cutting.forces(
        Metal(), Mill(), [0.0, 40.0, 40.0], [10.0, 0.0, 10.0], [0.1, 0.1, 0.0], 3000.0, runout=0.01
    )
    for values in (got.tangential_mean, got.tangential_peak, got.bending_peak, got.power_kw):
        np.testing.assert_allclose(values, 0.0, atol=1e-6)


def test_arrays_broadcast_and_match_single_cuts():
    phi, axial = np.array([20.0, 50.0, 120.0])[:, None], np.array([2.0, 11.0])[None, :]
    grid = cutting.forces(Metal(), Mill(), phi, axial, 0.05, 2500.0)
    assert grid.bending_peak.shape == (3, 2)
    for i in range(3):
        for j in range(2):
            one = cutting.forces(Metal(), Mill(), phi[i, 0], axial[0, j], 0.05, 2500.0)
            assert one.bending_peak == pytest.approx(grid.bending_peak[i, j], rel=1e-9)
            assert one.power_kw == pytest.approx(grid.power_kw[i, j], rel=1e-12)


cuts = st.tuples(st.floats(1.0, 180.0), st.floats(0.1, 40.0), st.floats(0.005, 0.4))
mills = st.builds(Mill, st.floats(1.0, 40.0), st.integers(1, 9), st.floats(0.0, 55.0))


@given(mills, cuts, st.floats(1.0, 1.5))
@settings(max_examples=60, deadline=None)
def test_more_of_anything_never_pushes_less(mill, cut, more):
    phi, axial, fz = cut
    base = cutting.forces(Metal(), mill, phi, axial, fz, 3000.0)
    assert base.tangential_peak >= base.tangential_mean * (1 - 1e-6)
    for grown in ((min(phi * more, 180.0), axial, fz), (phi, axial * more, fz), (phi, axial, fz * more)):
        got = cutting.forces(Metal(), mill, *grown, 3000.0)
        assert got.power_kw >= base.power_kw * (1 - 1e-9)
        assert got.tangential_peak >= base.tangential_peak * (1 - 0.01)
    hard = cutting.forces(Metal(kc11=1675.0 * more), mill, phi, axial, fz, 3000.0)
    assert hard.bending_peak == pytest.approx(more * base.bending_peak, rel=1e-9)


@given(mills, cuts)
@settings(max_examples=40, deadline=None)
def test_helix_spreads_but_keeps_the_mean(mill, cut):
    phi, axial, fz = cut
    straight = cutting.forces(Metal(), Mill(mill.diameter, mill.flutes, 0.0), phi, axial, fz, 3000.0)
    got = cutting.forces(Metal(), mill, phi, axial, fz, 3000.0)
    assert got.tangential_mean == pytest.approx(straight.tangential_mean, rel=1e-12)
    assert got.tangential_peak <= straight.tangential_peak * 1.005


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ((181.0, 10.0, 0.1, 3000.0), "engagement is 181"),
        ((-1.0, 10.0, 0.1, 3000.0), "engagement is -1"),
        ((50.0, -2.0, 0.1, 3000.0), "axial depth is -2"),
        ((50.0, 10.0, math.nan, 3000.0), "feed per tooth is nan"),
        ((50.0, 10.0, 0.1, math.inf), "spindle speed is inf"),
    ],
)
def test_bad_numbers_are_refused(values, text):
    with pytest.raises(CuttingDataError, match=text):
        cutting.forces(Metal(), Mill(), *values)
