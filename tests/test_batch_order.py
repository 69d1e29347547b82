"""The order in which a batch begins its jobs: a guess at their time, and what a good order gives."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from zrough import Job, JobError
from zrough.batchorder import ground, longest_first, triangles


@pytest.fixture
def base(job_dict):
    return Job.from_dict(job_dict)


def test_longest_first(base):
    """Halving the cell quadruples the nodes; a third of the stair makes three times the levels."""
    coarse, fine = (base.replace(roughing={"cell": cell}) for cell in (0.4, 0.2))
    assert ground(fine) == pytest.approx(4 * ground(coarse), rel=1e-12)
    low = base.replace(roughing={"cell": 0.4, "stair_height": 0.4})
    assert ground(low) == pytest.approx(3 * ground(coarse), rel=1e-12)
    shallow = base.replace(roughing={"cell": 0.4, "floor_z": -27.5})
    assert ground(shallow) == pytest.approx(0.5 * ground(coarse), rel=1e-12)
    two = base.replace(cutter=[{**dict(base.cutter), "number": k} for k in (1, 2)], roughing={"cell": 0.4})
    assert ground(two) == pytest.approx(2 * ground(coarse), rel=1e-12)
    jobs = {"shallow": shallow, "coarse": coarse, "again": coarse, "fine": fine, "low": low}
    assert longest_first(list(jobs), jobs.__getitem__) == ["fine", "low", "coarse", "again", "shallow"]


def test_what_cannot_be_read_is_told_at_once_and_the_unknown_counts_as_usual(base, job_dict, tmp_path):
    def load(name):
        if name == "bad":
            raise JobError("job.toml: no such file")
        return jobs[name]

    stock = {"kind": "leftover", "file": "leftover.npz", "min": None, "max": None}
    jobs = {
        "small": base.replace(roughing={"cell": 0.5}),
        "unknown": base.replace(stock=stock),
        "usual": base.replace(roughing={"cell": 0.3}),
        "large": base.replace(roughing={"cell": 0.2}),
    }
    assert ground(jobs["unknown"]) is None
    assert longest_first(["small", "unknown", "usual", "large", "bad"], load) == [
        "bad", "large", "unknown", "usual", "small",
    ]  # fmt: skip
    (tmp_path / "part.stl").write_bytes(bytes(84 + 50 * 1000))  # the binary STL layout: 50 bytes each
    named = Job.from_dict({**job_dict, "part": {"file": "part.stl"}}, base_dir=tmp_path)
    assert triangles(named) == pytest.approx(1000, rel=0.01)
    assert triangles(base) == 0


def test_every_kind_of_stock_has_a_size(base):
    """The same box as block, as the part's own box, as a map; a cylinder fills the square around it."""
    corners = np.array(list(itertools.product((-80.0, 80.0), (-60.0, 60.0), (-55.0, 0.0))))
    faces = np.array([[0, 1, 2]])
    bare = base.replace(stock={"min": None, "max": None})
    assert ground(bare) is None
    assert ground(bare.with_mesh(corners, faces)) == pytest.approx(ground(base))
    square = base.replace(stock={"min": [-60.0, -60.0, -55.0], "max": [60.0, 60.0, 0.0]})
    rod = {
        "kind": "cylinder",
        "centre": [0, 0],
        "diameter": 120,
        "bottom": -55,
        "top": 0,
        "min": None,
        "max": None,
    }
    assert ground(base.replace(stock=rod)) == pytest.approx(ground(square))
