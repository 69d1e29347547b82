"""Milling formulas against published tables and worked examples; each source stands beside its numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zrough.cutting import formulas as f
from zrough.cutting.bending import CARBIDE_MODULUS, tip_compliance, tip_deflection
from zrough.cutting.kienzle import runout_chip
from zrough.cutting.practice import slot_factor, width_speed_factor

# ---- speed, feed, power


def test_face_mill_power():
    # Mitsubishi Materials, Cutting Power for Face Milling: ap 2, ae 80, vf 280, kc 1800, eta 0.8 -> 1.68 kW
    assert f.cutting_power(2.0, 80.0, 280.0, 1800.0, 0.8) == pytest.approx(1.68, abs=1e-9)
    # the same cut: printed n 101.91 (with pi = 3.14) and fz 0.228 (cut off; exact 0.2290)
    n = f.spindle_speed(250.0, 80.0)
    assert n == pytest.approx(101.91 * 3.14 / math.pi, rel=1e-4)
    assert f.feed_per_tooth(280.0, 12, 101.91) == pytest.approx(0.2290, abs=5e-5)


def test_net_power_and_torque_of_that_cut():
    # computed here from the printed inputs: 1.344 kW at the cutter, 125.93 Nm at 101.91 1/min
    net = f.cutting_power(2.0, 80.0, 280.0, 1800.0)
    assert net == pytest.approx(1.344, abs=1e-9)
    assert f.torque(net, 101.91) == pytest.approx(125.93, abs=0.01)


def test_surface_speed():
    # Mitsubishi Materials, Formulae for Milling: D 125, n 350 -> 137.4 m/min (printed with pi = 3.14)
    assert f.surface_speed(125.0, 350.0) == pytest.approx(137.4, abs=0.1)


def test_feed_per_tooth_and_back():
    # Mitsubishi Materials, Formulae for Milling: vf 500, z 10, n 500 -> 0.1 and back
    assert f.feed_per_tooth(500.0, 10, 500.0) == pytest.approx(0.1, abs=1e-9)
    assert f.table_feed(0.1, 10, 500.0) == pytest.approx(500.0, abs=1e-9)


def test_speeds_of_a_solid_end_mill_catalogue():
    # WIDIA solid end mill catalogue p.78: vc 200, D 125, z 8, fz 0.2 -> n 510, vf 816 (rounded up)
    n = f.spindle_speed(125.0, 200.0)
    assert n == pytest.approx(510.0, rel=0.002)
    assert f.table_feed(0.2, 8, n) == pytest.approx(816.0, rel=0.002)


def test_lead_angle_example():
    # Sandvik Coromant milling guide, p. D22: Dc 125, 45 deg, hex 0.17, vc 0.925 x 283, z 8
    # -> fz 0.24, vc 262, n 667, vf 1281 (vf from the rounded fz and n)
    fz, vc = 0.17 / math.sin(math.radians(45.0)), 0.925 * 283.0
    n = f.spindle_speed(125.0, vc)
    assert fz == pytest.approx(0.24, rel=0.002)
    assert vc == pytest.approx(262.0, rel=0.002)
    assert n == pytest.approx(667.0, rel=0.002)
    assert f.table_feed(fz, 8, n) == pytest.approx(1281.0, rel=0.002)


def test_inch_example():
    # Dapra, Optimizing cutting performance: 2 in, 900 sfm, 5 flutes, .008 in -> 1720 rpm, 69 ipm
    n = f.spindle_speed(2 * 25.4, 900 * 0.3048)
    assert n == pytest.approx(1720.0, rel=0.001)
    assert f.table_feed(0.008 * 25.4, 5, n) / 25.4 == pytest.approx(69.0, rel=0.004)


def test_end_to_end_by_mean_chip():
    # computed here from the formulas: D12 z4 vc150 ae1.2 ap24, feed for h = 0.06, kc1.1 1675, mc 0.24
    phi = f.engagement_deg(0.1)
    fz = 0.06 * f.thinning_factor(phi)
    n = f.spindle_speed(12.0, 150.0)
    vf = f.table_feed(fz, 4, n)
    hm = f.mean_chip(fz, phi)
    kc = f.specific_force(1675.0, 0.24, hm)
    power = f.cutting_power(24.0, 1.2, vf, kc)
    assert (n, fz, vf) == pytest.approx((3978.87, 0.1, 1591.55), rel=1e-5)
    assert f.removal_rate(24.0, 1.2, vf) == pytest.approx(45.837, rel=1e-4)
    assert (hm, kc, power) == pytest.approx((0.031080, 3853.2, 2.9436), rel=1e-4)
    assert f.torque(power, n) == pytest.approx(7.0645, rel=1e-4)
    # the identities that tie force and power
    assert f.teeth_in_cut(4, phi) == pytest.approx(0.40967, abs=1e-5)
    assert pytest.approx(power, rel=1e-4) == 1177.4 * 150.0 / 60000.0


# ---- specific force: printed kc1.1 and mc with columns that follow from them


@pytest.mark.parametrize(
    ("kc11", "mc", "at"),
    [
        # Iscar turning catalogue 2017 pp.556-558, groups 1, 3, 6, 9, 10, 11, 14, 15, 16, 22, 23, 26: kc1.1
        # and mc;
        # the values at h = .02 .05 .1 .2 .4 are computed from them
        (1350, 0.21, (3070, 2533, 2189, 1893, 1636)),
        (1675, 0.24, (4283, 3438, 2911, 2465, 2087)),
        (1775, 0.24, (4539, 3643, 3085, 2612, 2212)),
        (1800, 0.24, (4603, 3694, 3128, 2649, 2243)),
        (2450, 0.23, (6025, 4880, 4161, 3548, 3025)),
        (2500, 0.23, (6148, 4979, 4246, 3620, 3086)),
        (2150, 0.20, (4701, 3914, 3408, 2966, 2582)),
        (1150, 0.20, (2515, 2094, 1823, 1587, 1381)),
        (1350, 0.28, (4037, 3123, 2572, 2119, 1745)),
        (800, 0.25, (2127, 1692, 1423, 1196, 1006)),
        (700, 0.25, (1861, 1480, 1245, 1047, 880)),
        (700, 0.27, (2013, 1572, 1303, 1081, 896)),
    ],
)
def test_kienzle(kc11, mc, at):
    np.testing.assert_allclose(
        f.specific_force(kc11, mc, np.array([0.02, 0.05, 0.1, 0.2, 0.4])), at, atol=0.6
    )


# ---- radial chip thinning


def test_thinning_factors():
    # Dormer Pramet milling catalogue 2021-22 p.114 tab. 2
    x = np.array([5, 10, 15, 20, 25, 30, 40, 50]) / 100
    got = f.thinning_factor(f.engagement_deg(x))
    np.testing.assert_allclose(got, [2.29, 1.67, 1.40, 1.25, 1.15, 1.09, 1.02, 1.00], atol=0.005)


def test_thinning_factors_in_a_second_table():
    # Dapra, Optimizing cutting performance: 50 40 30 20 10 % -> 1 1.02 1.1 1.25 1.7, printed to two figures
    got = f.thinning_factor(f.engagement_deg(np.array([0.5, 0.4, 0.3, 0.2, 0.1])))
    np.testing.assert_allclose(got, [1.0, 1.02, 1.1, 1.25, 1.7], atol=0.05)


def test_thinning_in_an_inch_example():
    # machinecalcs.com, radial chip thinning: 4 flutes, 8000 rpm, 10 %, .002 in chip -> .0033 in, 107 ipm,
    # 36.9 deg
    phi = f.engagement_deg(0.1)
    fz = 0.002 * f.thinning_factor(phi)
    assert phi == pytest.approx(36.9, abs=0.05)
    assert fz == pytest.approx(0.0033, abs=5e-5)
    assert f.table_feed(fz, 4, 8000.0) == pytest.approx(107.0, abs=0.5)


def test_engagement_angles():
    # WIDIA trochoidal milling catalogue p.7
    x = np.array([100, 50, 40, 30, 20, 10, 5, 4]) / 100
    expected = [180, 90, 78.46, 66.42, 53.13, 36.87, 25.84, 23.07]
    np.testing.assert_allclose(f.engagement_deg(x), expected, atol=0.01)


@pytest.mark.parametrize(
    ("hm", "fz"),
    [
        # CERATIZIT eCatalog 2026 p.802, fz at x = .2 .3 .4 .75 1
        (0.16, (0.36, 0.29, 0.25, 0.18, 0.16)),
        (0.14, (0.31, 0.26, 0.22, 0.16, 0.14)),
        (0.12, (0.27, 0.22, 0.19, 0.14, 0.12)),
        (0.10, (0.22, 0.18, 0.16, 0.12, 0.10)),
    ],
)
def test_feed_for_a_mean_chip(hm, fz):
    np.testing.assert_allclose(f.feed_for_mean_chip(hm, np.array([0.2, 0.3, 0.4, 0.75, 1.0])), fz, atol=0.005)


def test_ball_copying_feed_factors():
    # Dormer Pramet milling catalogue 2021-22 p.115 tab. 3c, rows ap/D 5 % and 10 %, columns ae/D; f(ap) f(ae)
    x = np.array([5, 10, 15, 20, 25, 30, 35, 40, 50]) / 100
    factor = f.thinning_factor(f.engagement_deg(x))
    np.testing.assert_allclose(
        factor[0] * factor, [5.26, 3.82, 3.21, 2.87, 2.65, 2.50, 2.40, 2.34, 2.29], atol=0.006
    )
    np.testing.assert_allclose(
        factor[1] * factor, [3.82, 2.78, 2.33, 2.08, 1.92, 1.82, 1.75, 1.70, 1.67], atol=0.006
    )


def test_speed_and_slot_factors():
    # Dormer Pramet milling catalogue 2021-22 p.114 tab. 2: vc by width, and vc and fz of slots by depth
    for percent, factor in zip(
        (5, 10, 15, 20, 25, 30, 40, 50), (1.48, 1.35, 1.27, 1.22, 1.19, 1.16, 1.11, 1.00), strict=True
    ):
        assert width_speed_factor(percent / 100) == pytest.approx(factor)
    np.testing.assert_allclose(slot_factor([0.25, 0.5, 1.0, 1.5], at_most=9.0), [1.25, 1.0, 0.75, 0.5])
    np.testing.assert_allclose(slot_factor([0.1, 0.25, 3.0]), [1.0, 1.0, 0.25])


@given(st.floats(0.0, 1.0))
def test_width_and_engagement_are_inverse(x):
    assert f.radial_ratio(f.engagement_deg(x)) == pytest.approx(x, abs=1e-12)


@given(st.floats(0.01, 90.0))
def test_mean_chip_never_above_the_thickest(phi):
    # on a rising sine the mean lies between half the end value and the value itself
    assert f.mean_chip(1.0, phi) / f.max_chip(1.0, phi) + 1e-9 >= 0.5
    assert f.mean_chip(1.0, phi) < f.max_chip(1.0, phi)


def test_full_slot():
    # 2 / pi: closed form
    assert f.mean_chip(1.0, 180.0) == pytest.approx(2.0 / math.pi, abs=1e-12)
    assert f.max_chip(1.0, 180.0) == 1.0


# ---- ball-nose, cusps


@pytest.mark.parametrize(
    ("diameter", "steps"),
    [
        # Dormer Pramet milling catalogue 2021-22 p.114 tab. 3b: step-over for a cusp of 2 4 8 16 32 63 125
        # 250 um
        (6, (0.22, 0.31, 0.44, 0.62, 0.87, 1.22, 1.71, 2.40)),
        (8, (0.25, 0.36, 0.51, 0.71, 1.01, 1.41, 1.98, 2.78)),
        (10, (0.28, 0.40, 0.57, 0.80, 1.13, 1.58, 2.22, 3.12)),
        (20, (0.40, 0.57, 0.80, 1.13, 1.60, 2.24, 3.15, 4.44)),
    ],
)
def test_ball_step_over(diameter, steps):
    for cusp, step in zip((0.002, 0.004, 0.008, 0.016, 0.032, 0.063, 0.125, 0.25), steps, strict=True):
        assert f.step_over_for_cusp(diameter, cusp) == pytest.approx(step, abs=0.006)


def test_cusps():
    # machinecalcs.com: D6 step .5 -> .01043, cusp .005 -> step .3463; calcady.com: .5 in step .05 ->
    # .001253 in
    assert f.cusp_for_step_over(6.0, 0.5) == pytest.approx(0.01043, abs=5e-6)
    assert f.step_over_for_cusp(6.0, 0.005) == pytest.approx(0.3463, abs=5e-5)
    assert f.cusp_for_step_over(0.5, 0.05) == pytest.approx(0.001253, abs=5e-7)


@pytest.mark.parametrize(
    ("diameter", "axial", "effective"),
    [
        # Fanar catalogue 2021 p.328
        (10, 0.1, 1.990),
        (10, 0.5, 4.359),
        (10, 1.0, 6.000),
        (12, 0.3, 3.747),
        (16, 1.0, 7.746),
        (20, 2.0, 12.000),
        (20, 5.0, 17.321),
        (6, 0.05, 1.091),
        (8, 0.2, 2.498),
        (1, 0.3, 0.917),
    ],
)
def test_ball_effective_diameter(diameter, axial, effective):
    assert f.ball_effective_diameter(diameter, axial) == pytest.approx(effective, abs=0.001)


def test_ball_cuts_its_whole_diameter_from_half_up():
    assert f.ball_effective_diameter(10.0, 7.0) == 10.0


# ---- entries and arcs


@pytest.mark.parametrize(
    ("diameter", "bore", "angle", "pitch"),
    [(10, 18, 2, 0.87765), (10, 15, 3, 0.82322), (12, 21.6, 1.5, 0.78975), (16, 28.8, 2, 1.40425)],
)
def test_helix_pitch(diameter, bore, angle, pitch):
    # computed here; the angle is at the circle of the centre, bore - D, not at the bore
    assert f.helix_pitch(bore, diameter, angle) == pytest.approx(pitch, abs=1e-5)
    length = f.helix_turn_length(bore, diameter, angle)
    assert length == pytest.approx(math.hypot(math.pi * (bore - diameter), pitch), rel=1e-6)


def test_helical_centre_feed():
    # Sandvik Coromant HRSA guide p.107: vf = vfm (Dh - D) / Dh; D 10, bore 18 -> 0.4444
    assert f.centre_feed(1.0, 4.0, 5.0) == pytest.approx(0.4444, abs=5e-5)
    # the same guide's example D3 35, vc 25, fz 0.2, z 4 -> n 227, vfm 182 (its centre feed fails its own
    # arithmetic)
    n = f.spindle_speed(35.0, 25.0)
    assert n == pytest.approx(227.0, abs=0.5)
    assert f.table_feed(0.2, 4, n) == pytest.approx(182.0, abs=0.5)
    assert f.centre_feed(182.0, 0.5 * (58 - 35), 0.5 * 35) == pytest.approx(182.0 * 23 / 58)


def test_centre_feed_of_lines_and_bosses():
    assert f.centre_feed(700.0, math.inf, 5.0) == 700.0
    assert f.centre_feed(700.0, math.inf, 5.0, inside=False) == 700.0
    assert f.centre_feed(100.0, 25.0, 5.0, inside=False) == pytest.approx(125.0)
    assert f.centre_feed(100.0, 4.0, 5.0, inside=False) == 150.0  # no bound by nature: held at the gain
    np.testing.assert_allclose(
        f.centre_feed(np.array([10.0, 20.0]), np.array([5.0, np.inf]), 5.0), [5.0, 20.0]
    )


@given(st.floats(0.5, 200.0), st.floats(0.01, 1.0), st.floats(1.0, 10.0))
def test_arc_engagement_against_drawn_circles(path_radius, share, radius):
    # where the cutter's circle meets the old wall, by the cosine rule
    radial = share * 0.5 * min(radius, path_radius)
    wall = path_radius + radius - radial
    cosine = (wall**2 - path_radius**2 - radius**2) / (2 * path_radius * radius)
    assert f.arc_engagement_deg(radial, path_radius, radius) == pytest.approx(
        math.degrees(math.acos(cosine)), abs=1e-4
    )


def test_arc_engagement_against_the_printed_effective_width():
    # Sandvik Coromant HRSA guide, circular milling: ae,eff = (Dm2 - Dw2) / (4 (Dm - Dc))
    dm, dw, dc = 60.0, 56.0, 20.0
    effective = (dm**2 - dw**2) / (4 * (dm - dc))
    got = f.arc_engagement_deg(0.5 * (dm - dw), 0.5 * (dm - dc), 0.5 * dc)
    assert got == pytest.approx(f.engagement_deg(effective / dc), abs=1e-9)
    # and a long radius is a straight wall
    assert f.arc_engagement_deg(2.0, 1e7, 10.0) == pytest.approx(f.engagement_deg(0.1), abs=1e-4)
    assert f.arc_engagement_deg(2.0, 1e7, 10.0, inside=False) == pytest.approx(
        f.engagement_deg(0.1), abs=1e-4
    )


def test_ramp_lengths():
    # Kyocera general catalogue 2021-22 p. M136: ramp angles 20 16 12.5 11 8.5 6 deg; L = ap / tan
    for angle in (20, 16, 12.5, 11, 8.5, 6):
        length = f.ramp_length(3.0, angle)
        assert math.degrees(math.atan2(3.0, length)) == pytest.approx(angle)


@pytest.mark.parametrize(
    ("diameter", "corner", "bore", "pip"),
    [(16, 2, 28, 0.0), (16, 2, 30.4, 0.400), (10, 0.5, 19, 0.0), (12, 1, 21.6, 0.0), (10, 1, 20.1, math.inf)],
)
def test_helix_pip(diameter, corner, bore, pip):
    # computed here from the cutter's profile; no published figure found
    assert f.helix_pip_height(bore, diameter, corner) == pytest.approx(pip, abs=5e-4)


def test_helix_bore_window():
    assert f.helix_bore_window(16.0, 2.0, 3.0) == (19.0, 28.0)


# ---- balance, run-out, bending


def test_unbalance():
    # WIDIA catalogue p. K53: G6.3, 2 kg, 10 000 1/min -> 12 gmm
    assert f.permissible_unbalance(6.3, 2.0, 10000.0) == pytest.approx(12.0, abs=0.1)


def test_eccentricity():
    # Dormer tooling catalogue 2016 p.261: G6.3 at 15 000 -> 4 um, at 30 000 -> 2 um
    assert f.permissible_eccentricity(6.3, 15000.0) == pytest.approx(4.0, abs=0.02)
    assert f.permissible_eccentricity(6.3, 30000.0) == pytest.approx(2.0, abs=0.02)


def test_runout_by_drawing_the_teeth():
    # radii of z teeth on a circle whose axis stands off by half the reading; worst step between neighbours
    for flutes in (2, 3, 4, 5, 6):
        turns = np.linspace(0.0, 2 * np.pi, 3601)
        radii = 0.5 * 0.02 * np.cos(turns[:, None] + 2 * np.pi * np.arange(flutes) / flutes)
        steps = np.abs(radii - np.roll(radii, 1, axis=1)).max()
        assert runout_chip(0.02, flutes) == pytest.approx(steps, rel=1e-5)
    assert runout_chip(0.02, 1) == pytest.approx(0.0, abs=1e-12)


class Rod:
    """A round bar as a cutter, so that published ratios of a plain cantilever can be read off."""

    def __init__(self, diameter: float, overhang: float, flute_length: float = 0.0, **steps: float) -> None:
        self.diameter = self.shank_diameter = diameter
        self.overhang, self.flute_length = overhang, flute_length
        self.neck_diameter, self.neck_length = steps.get("neck_diameter"), steps.get("neck_length")


def test_bending_ratios():
    # Mitsubishi Materials training course 70: overhang x 2 -> 0.2 to 1.6 mm; diameter x 2 -> 25 to 1.5(6) um
    assert tip_deflection(500.0, Rod(10, 80)) / tip_deflection(500.0, Rod(10, 40)) == pytest.approx(1.6 / 0.2)
    thick = tip_deflection(500.0, Rod(20, 40)) / tip_deflection(500.0, Rod(10, 40))
    assert thick == pytest.approx(1 / 16)
    assert 25.0 * thick == pytest.approx(1.5, abs=0.07)  # printed cut off


def test_cantilever_numbers():
    # F L3 / (3 E I), computed here with E = 600 GPa: 500 N, L 40, D 10 at 0.8 D and solid; 1000 N, L 50, D
    # 16 at 0.8 D
    assert tip_deflection(500.0, Rod(10, 40), modulus=600e3) == pytest.approx(0.03622, abs=1e-5)
    assert tip_deflection(500.0, Rod(10, 40, 40), modulus=600e3) == pytest.approx(0.08842, abs=1e-5)
    assert tip_deflection(1000.0, Rod(16, 50, 50), modulus=600e3) == pytest.approx(0.05270, abs=1e-5)


@pytest.mark.parametrize("axial", [0.0, 5.0, 24.0, 45.0])
def test_stepped_beam_by_integrating_its_curvature(axial):
    from scipy.integrate import solve_ivp

    rod = Rod(12, 55, 26, neck_diameter=11.0, neck_length=35.0)
    force = 900.0

    def diameter(x: float) -> float:
        return 0.8 * 12 if x < 26 else 11.0 if x < 35 else 12.0

    def moment(x: float) -> float:
        return force * (x - 0.5 * axial if x >= axial else x * x / (2 * axial))

    def bend(s: float, state: np.ndarray) -> list[float]:
        x = 55.0 - s  # from the holder's face down to the tip
        return [state[1], moment(x) / (CARBIDE_MODULUS * math.pi * diameter(x) ** 4 / 64)]

    got = solve_ivp(bend, (0.0, 55.0), [0.0, 0.0], max_step=0.05, rtol=1e-9, atol=1e-12).y[0, -1]
    assert tip_deflection(force, rod, axial) == pytest.approx(got, rel=0.002)


@given(st.floats(1.0, 30.0), st.floats(1.5, 12.0), st.floats(0.0, 1.0), st.floats(0.05, 1.0))
def test_longer_is_softer(diameter, ratio, flutes, axial):
    length = ratio * diameter
    short, long = Rod(diameter, length, flutes * length), Rod(diameter, 1.2 * length, flutes * length)
    assert tip_compliance(long, axial * length) > tip_compliance(short, axial * length)
