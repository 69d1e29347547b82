"""What workers keep from one job to the next: the same bytes, made once, within the room allowed."""

import numpy as np
import parts
import pytest

import zrough
from zrough import batchwork, reuse
from zrough.grid import Grid
from zrough.surface import ContactSurface

pytestmark = pytest.mark.compiled


@pytest.fixture(autouse=True)
def forget():
    yield
    reuse.allow(0)


def soup(shift=0.0):
    vertices, faces = parts.frustum(radius=8, height=6, base=30, chord=0.05)
    return np.ascontiguousarray((vertices + np.array([shift, 0.0, 0.0]))[faces], dtype=np.float64)


GRID = Grid(-15.0, -15.0, 0.5, 61, 61)


def counted(monkeypatch):
    made = {"surface": 0, "heights": 0}
    build, drop = ContactSurface.__init__, ContactSurface.heights

    def init(self, triangles):
        made["surface"] += 1
        build(self, triangles)

    def heights(self, *args, **named):
        made["heights"] += 1
        return drop(self, *args, **named)

    monkeypatch.setattr(ContactSurface, "__init__", init)
    monkeypatch.setattr(ContactSurface, "heights", heights)
    return made


def test_nothing_is_kept_unless_allowed(monkeypatch):
    made = counted(monkeypatch)
    for _ in range(2):
        reuse.heights(reuse.surface(soup()), GRID, 3.0, 0.5)
    assert made == {"surface": 2, "heights": 2}
    assert reuse.held_mb() == 0.0


def test_made_once_for_the_same_part_cutter_and_grid(monkeypatch):
    alone = ContactSurface(soup()).heights(GRID, 3.0, 0.5)
    made = counted(monkeypatch)
    reuse.allow(50.0)
    first = reuse.heights(reuse.surface(soup()), GRID, 3.0, 0.5)
    first += 1.0  # the caller's own
    again = reuse.heights(reuse.surface(soup()), GRID, 3.0, 0.5)
    assert made == {"surface": 1, "heights": 1}
    assert again.tobytes() == alone.tobytes()
    reuse.heights(reuse.surface(soup()), GRID, 3.0, 0.0)  # another cutter
    reuse.heights(reuse.surface(soup()), Grid(-15.0, -15.0, 0.25, 61, 61), 3.0, 0.5)  # another grid
    reuse.heights(reuse.surface(soup(0.001)), GRID, 3.0, 0.5)  # another part
    assert made == {"surface": 2, "heights": 4}
    assert 0.0 < reuse.held_mb() <= 50.0


def test_the_least_used_goes_first(monkeypatch):
    made = counted(monkeypatch)
    room = (4 * soup().nbytes + 2.5 * 8 * GRID.nx * GRID.ny) / 1e6
    reuse.allow(room)
    surface = reuse.surface(soup())
    for radius in (2.0, 3.0, 2.0, 4.0, 2.0):
        reuse.surface(soup())
        reuse.heights(surface, GRID, radius, 0.0)
    assert made == {"surface": 1, "heights": 3}
    assert reuse.held_mb() <= room
    reuse.heights(surface, GRID, 3.0, 0.0)
    assert made["heights"] == 4
    huge = Grid(-15.0, -15.0, 0.05, 601, 601)  # does not fit at all: made each time, throws nothing out
    held = reuse.held_mb()
    reuse.heights(surface, huge, 3.0, 0.0)
    assert reuse.held_mb() == held
    reuse.allow(0)
    assert reuse.held_mb() == 0.0


def test_a_worker_keeps_a_share_of_its_limit():
    assert batchwork.keep_mb(None) == batchwork.KEEP_MB
    assert batchwork.keep_mb(500.0) == 50.0
    assert batchwork.keep_mb(1e6) == batchwork.KEEP_MB


def test_programs_are_the_same_bytes(monkeypatch):
    def job(depth):
        raw = {
            "stock": {"min": [-15.0, -15.0, -16.0], "max": [15.0, 15.0, 0.0]},
            "cutter": {"diameter": 8.0, "flutes": 3, "flute_length": 20.0, "overhang": 30.0},
            "material": {"name": "P"},
            "machine": {"max_spindle_rpm": 9000.0, "max_feed": 4000.0},
            "roughing": {"level_depth": depth, "cell": 0.4},
        }
        return zrough.Job.from_dict(raw, mesh=parts.frustum(radius=8, height=6, base=30, chord=0.05))

    depths = (6.0, 3.0, 6.0)
    alone = [zrough.plan(job(d), check=False).nc_text for d in depths]
    made = counted(monkeypatch)
    reuse.allow(50.0)
    assert [zrough.plan(job(d), check=False).nc_text for d in depths] == alone
    assert made == {"surface": 1, "heights": 1}
