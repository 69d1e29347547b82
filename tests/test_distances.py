"""Distances on maps of nodes against scipy's, and points near a place against a tree's."""

import numpy as np
import pytest
from scipy.ndimage import binary_dilation, distance_transform_edt
from scipy.spatial import cKDTree

from zrough import distances
from zrough.regions import BAND, Apart
from zrough.trails import CHUNK, Trail


@pytest.mark.parametrize("share", [0.02, 0.3, 0.9, 0.99])
@pytest.mark.parametrize("shape", [(1, 17), (23, 1), (31, 26)])
def test_distances_are_scipys_to_the_bit(share, shape):
    rng = np.random.default_rng([int(100 * share), *shape])
    mask = rng.random(shape) < share
    mask[rng.integers(shape[0]), rng.integers(shape[1])] = False
    np.testing.assert_array_equal(distances.away(mask), distance_transform_edt(mask))
    np.testing.assert_array_equal(distances.away(mask.astype(np.uint8)), distance_transform_edt(mask))


@pytest.mark.parametrize("share", [0.0, 0.002, 0.1, 0.9, 1.0])
@pytest.mark.parametrize("shape", [(1, 17), (23, 1), (61, 46)])
def test_discs_hold_nodes_where_scipys_distances_say_so(share, shape):
    rng = np.random.default_rng([int(1000 * share), *shape])
    of = rng.random(shape) < share
    away = distance_transform_edt(~of) if of.any() else np.full(shape, np.inf)
    for reach, pitch in ((0.0, 1.0), (-0.5, 1.0), (1.0, 1.0), (0.2 * 5.0, 0.2), (0.6, 0.2), (7.07, 1.0)):
        np.testing.assert_array_equal(distances.within(of, reach, pitch), away * pitch <= reach)
        np.testing.assert_array_equal(distances.within(of, reach, pitch, below=True), away * pitch < reach)


@pytest.mark.parametrize("most", [0.5, 1.0, 3.0, 6.2])
def test_distances_may_end_early(most):
    rng = np.random.default_rng(2)
    for share in (0.5, 0.95, 0.999):
        mask = rng.random((40, 70)) < share
        mask[3, 5] = False
        np.testing.assert_array_equal(
            distances.away(mask, most), np.minimum(distance_transform_edt(mask), most)
        )


def test_where_every_node_is_set_it_is_what_scipy_says():
    mask = np.ones((4, 5), bool)
    np.testing.assert_array_equal(distances.away(mask), distance_transform_edt(mask))


def test_points_near_a_place_are_those_of_a_tree():
    """scipy's tree finds which; the nearest come first, and of equals the one walked first."""
    rng = np.random.default_rng(4)
    walks = [np.cumsum(rng.normal(0.0, 0.3, (n, 2)), axis=0) for n in (1, CHUNK, 3 * CHUNK + 7, 40)]
    trail, given = Trail(), walks[:2]
    for count in (2, 3, 4):
        given += walks[len(given) : count]
        points = np.concatenate(given)
        for p in rng.uniform(-4.0, 4.0, (20, 2)):
            found = trail.follow(given).near(p, 1.5)
            inside = np.array(sorted(cKDTree(points).query_ball_point(p, 1.5)), int)
            away = np.hypot(*(points[inside] - p).T)
            np.testing.assert_array_equal(found, points[inside[np.argsort(away, kind="stable")]])


def test_a_trail_that_is_given_another_list_forgets_the_first():
    trail = Trail()
    assert len(trail.follow([np.zeros((3, 2))]).near(np.zeros(2), 1.0)) == 3
    assert len(trail.follow([]).near(np.zeros(2), 1.0)) == 0


def test_runs_of_nodes_bound_ground_as_the_whole_map_does():
    """Against scipy's own distances: the same within the band that levels know, beyond it as far off."""
    rng = np.random.default_rng(4)
    shut = rng.random((120, 150)) < 0.002
    wanted = (distance_transform_edt(~shut) - 1.5).astype(np.float32) * np.float32(0.2)
    found = Apart(distances.away(~shut), 1.5, 0.2).map()
    assert found.dtype == np.float32
    assert found.shape == shut.shape
    near = np.float32(BAND * 0.2)
    assert (wanted > 15 * 0.2).any()
    np.testing.assert_array_equal(np.minimum(found, near), np.minimum(wanted, near))


def test_a_walk_put_between_others_is_found_once():
    walks = [np.array([[float(k), 0.0]]) for k in range(4)]
    trail = Trail()
    trail.follow(walks[:0])
    given = walks[:2]
    trail.follow(given)
    given.append(walks[2])
    trail.insert(given, 1, walks[3])
    assert [w[0, 0] for w in given] == [0.0, 3.0, 1.0, 2.0]
    found = trail.follow(given).near(np.zeros(2), 9.0)
    assert found[:, 0].tolist() == [0.0, 1.0, 2.0, 3.0]


@pytest.mark.parametrize("share", [0.0, 0.1, 0.6])
@pytest.mark.parametrize("shape", [(1, 9), (8, 1), (14, 23)])
def test_nodes_set_and_those_round_them_are_numpys_and_scipys(share, shape):
    mask = np.random.default_rng([int(10 * share), *shape]).random(shape) < share
    np.testing.assert_array_equal(distances.places(mask), np.nonzero(mask))
    np.testing.assert_array_equal(distances.around(mask), binary_dilation(mask, np.ones((3, 3))))
    part = mask[::2, ::2]
    np.testing.assert_array_equal(distances.around(part), binary_dilation(part, np.ones((3, 3))))
