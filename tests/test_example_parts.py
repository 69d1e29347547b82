"""The example parts are closed solids of the size and volume their drawings say (trimesh, closed forms)."""

from __future__ import annotations

import math

import numpy as np
import parts
import pytest
import trimesh

pytestmark = pytest.mark.compiled

SIZES = {
    "lid_core": (160, 120, 55),
    "bowl_cavity": (160, 160, 60),
    "carrier_plate": (305, 305, 127),
    "latch_body": (180, 120, 40),
    "dome_core": (150, 110, 65),
    "hinge_insert_inch": (6, 4, 1.5),
}


def rounded(width: float, height: float, radius: float) -> float:
    """Area of a rectangle with rounded corners."""
    return width * height - (4 - math.pi) * radius**2


@pytest.mark.parametrize("name", SIZES)
def test_closed_and_of_the_stated_size(name: str) -> None:
    solid = trimesh.Trimesh(*parts.example(name), process=False)
    assert solid.is_volume
    assert solid.body_count == 1
    assert np.allclose(np.ptp(solid.vertices, axis=0), SIZES[name], atol=0.003)
    assert abs(solid.vertices[:, 2].max()) < 0.003
    assert 2_000 <= len(solid.faces) <= 100_000


def test_volume_of_the_carrier_plate() -> None:
    """Block less its pockets; the chords of round walls may hide 0.004 mm."""
    cut = (
        rounded(120, 110, 14) * 25
        + rounded(70, 60, 13) * 25
        + (132.5 * 110 - (2 - math.pi / 2) * 14**2) * 40
        - math.pi * 18**2 * 25
        + rounded(124, 112, 16) * 70
        - rounded(40, 28, 8) * 45
        + rounded(112, 112, 18) * 90
        + 4 * math.pi * 4**2 * 127
    )
    solid = trimesh.Trimesh(*parts.example("carrier_plate"), process=False)
    assert solid.volume == pytest.approx(305 * 305 * 127 - cut, rel=1e-5)


def test_volume_of_the_hinge_insert() -> None:
    """Chords hide up to 0.004 mm of its round walls, about 6 square inches: 6e-4 cubic inches."""
    cut = (
        rounded(4.2, 2.8, 0.375) * 0.75
        - math.pi * 0.45**2 * 0.5
        - rounded(0.9, 0.7, 0.15) * 0.25
        + (0.9 * 1.5 - (2 - math.pi / 2) * 0.3**2) * 0.375
        + 4 * math.pi * 0.125**2 * 1.5
    )
    solid = trimesh.Trimesh(*parts.example("hinge_insert_inch"), process=False)
    assert solid.volume == pytest.approx(6 * 4 * 1.5 - cut, abs=6e-4)


def test_small_solids_for_other_tests() -> None:
    for mesh, volume in (
        (parts.box((0, 0, 0), (1, 2, 3)), 6.0),
        (parts.pocket(), 90 * 70 * 15 - rounded(60, 40, 8) * 10),
        (parts.frustum(20, 20, 10), 80 * 80 * 10 + cone(20, 20 - 20 * math.tan(math.radians(10)), 20)),
        (parts.dome(20), 80 * 80 * 10 + 2 / 3 * math.pi * 20**3),
    ):
        solid = trimesh.Trimesh(*mesh, process=False)
        assert solid.is_volume
        assert solid.volume == pytest.approx(volume, rel=1e-3)


def cone(low: float, high: float, height: float) -> float:
    """Volume of a frustum of a cone."""
    return math.pi * height * (low**2 + low * high + high**2) / 3


def test_shipped_part_is_the_one_the_script_makes() -> None:
    made = parts.maker()
    shipped = (parts.EXAMPLES / "lid_core.stl").read_bytes()
    v, f = parts.example("lid_core")
    corners = v[f].astype("<f4")
    record = np.frombuffer(shipped[84:], np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]))
    assert np.array_equal(record["v"], corners)
    assert set(made.PARTS) == set(SIZES)
