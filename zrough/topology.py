"""What hangs together in a triangle mesh: welding, shared edges, bodies, winding, open loops. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Edges:
    """Every undirected edge of a mesh and the half-edges on it.

    A half-edge ``h`` belongs to face ``h // 3`` and runs from ``start[h]`` to ``end[h]``.

    Attributes
    ----------
    start, end : (3m,) vertex index of each half-edge.
    order : (3m,) half-edges, those of one edge side by side.
    first, count : (e,) where an edge begins in ``order``, and how many half-edges it has.
    """

    start: Index
    end: Index
    order: Index
    first: Index
    count: Index

    @property
    def pairs(self) -> tuple[Index, Index]:
        """The two half-edges of every edge used exactly twice."""
        twice = self.first[self.count == 2]
        return self.order[twice], self.order[twice + 1]

    @property
    def open(self) -> Index:
        """Half-edges whose edge has no other face."""
        return np.asarray(self.order[self.first[self.count == 1]])

    @property
    def crowded(self) -> Index:
        """One half-edge of every edge with more than two faces."""
        return np.asarray(self.order[self.first[self.count > 2]])

    def links(self) -> tuple[Index, Index]:
        """Pairs of faces that share an edge, crowded edges chained."""
        inner = np.ones(self.order.size, dtype=bool)
        inner[self.first] = False
        second = np.flatnonzero(inner)
        return self.order[second - 1] // 3, self.order[second] // 3


def weld(corners: Points, tolerance: float = 0.0) -> tuple[Points, Index]:
    """Merge equal points; with a tolerance, points that round to the same multiple of it.

    Returns the kept points (first of each set, unchanged) and for every input point its index there.
    """
    keys = corners + 0.0 if tolerance == 0.0 else np.rint(corners / tolerance)
    bits = np.ascontiguousarray(keys + 0.0).view(np.uint64).reshape(-1, 3)
    code = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)
    code ^= code >> np.uint64(29)
    code = (code + bits[:, 1]) * np.uint64(0xBF58476D1CE4E5B9)
    code ^= code >> np.uint64(32)
    code = (code + bits[:, 2]) * np.uint64(0x94D049BB133111EB)
    code ^= code >> np.uint64(31)
    _, first, inverse = np.unique(code, return_index=True, return_inverse=True)
    if not np.array_equal(bits[first][inverse], bits):  # two different points with one code: be exact
        _, first, inverse = np.unique(bits, axis=0, return_index=True, return_inverse=True)
    # keep the file's order, so that the result does not depend on the code
    rank = np.empty(first.size, dtype=np.int64)
    rank[np.argsort(first)] = np.arange(first.size)
    return corners[np.sort(first)], rank[inverse.reshape(-1)]


def edges(faces: Index, vertex_count: int) -> Edges:
    """The edges of ``faces`` (m, 3)."""
    start = faces.reshape(-1)
    end = faces[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * np.int64(vertex_count) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    first = np.flatnonzero(np.concatenate(([True], ranked[1:] != ranked[:-1]))) if len(key) else order
    count = np.diff(np.append(first, len(key)))
    return Edges(start, end, order, first, count)


def groups(size: int, left: Index, right: Index) -> tuple[int, Index]:
    """Number of connected sets among ``size`` things joined by pairs, and the set of each."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(left), dtype=np.int8), (left, right)), shape=(size, size))
    number, label = connected_components(graph, directed=False)
    return int(number), label.astype(np.int64)


def against(mesh: Edges) -> int:
    """Number of edges whose two faces are wound against each other."""
    one, two = mesh.pairs
    return int(np.count_nonzero(mesh.start[one] == mesh.start[two]))


def consistent(faces: Index, mesh: Edges) -> NDArray[np.bool_]:
    """Which faces to turn so that neighbours agree, each body following its first face.

    Works on a graph with two nodes a face, «as it is» and «turned»; a one-sided surface, which cannot
    be made to agree, keeps the winding of the file.
    """
    m = len(faces)
    one, two = mesh.pairs
    clash = (mesh.start[one] == mesh.start[two]).astype(np.int64)
    f, g = one // 3, two // 3
    left = np.concatenate((f, f + m))
    right = np.concatenate((g + m * clash, g + m * (1 - clash)))
    _, label = groups(2 * m, left, right)
    same, turned = label[:m], label[m:]
    one_sided = same == turned
    body_of = np.minimum(same, turned)
    _, first, inverse = np.unique(body_of, return_index=True, return_inverse=True)
    chosen = same[first][inverse]
    return np.asarray((same != chosen) & ~one_sided)


def turn(faces: Index, which: NDArray[np.bool_]) -> Index:
    """Reverse the winding of the faces marked."""
    out = faces.copy()
    out[which] = out[which][:, ::-1]
    return out


def area_vectors(vertices: Points, faces: Index) -> Points:
    """Normal of each face times its area, shape (m, 3), mm2."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    u, v = b - a, c - a
    result = np.empty_like(u)
    for k, (i, j) in enumerate(((1, 2), (2, 0), (0, 1))):
        result[:, k] = 0.5 * (u[:, i] * v[:, j] - u[:, j] * v[:, i])
    return result


def chains(start: Index, end: Index) -> list[tuple[Index, bool]]:
    """Walk directed edges from end to start into chains.

    Returns, for each chain, the indices of its edges in walking order and whether it is closed. At a
    vertex with several ways out the walk takes the first not yet used, so a figure of eight becomes
    two loops or one; the order depends on the input alone.
    """
    follow = _followers(start, end)
    if follow is not None:
        return _simple_chains(*follow)
    out: dict[int, list[int]] = {}
    for k, v in enumerate(start.tolist()):
        out.setdefault(v, []).append(k)
    for ways in out.values():
        ways.reverse()
    entered: dict[int, int] = {}
    for v in end.tolist():
        entered[v] = entered.get(v, 0) + 1
    found: list[tuple[Index, bool]] = []
    tails = end.tolist()
    # chains that stay open begin where more edges leave than arrive
    lead = [v for v in out for _ in range(len(out[v]) - entered.get(v, 0))]
    for v in lead:
        found.extend(_walk(v, out, tails))
    for v in out:
        while out[v]:
            found.extend(_walk(v, out, tails))
    return found


def _followers(start: Index, end: Index) -> tuple[list[int], list[int]] | None:
    """The edge after each edge (-1 for none) and the edges that follow none; None if some place branches."""
    order = np.argsort(start, kind="stable")
    ranked = start[order]
    if (ranked[1:] == ranked[:-1]).any() or len(np.unique(end)) < len(end):
        return None
    at = np.minimum(np.searchsorted(ranked, end), len(ranked) - 1)
    after = np.where(ranked[at] == end, order[at], -1) if len(order) else order
    first = np.ones(len(start), dtype=bool)
    first[after[after >= 0]] = False
    return after.tolist(), np.flatnonzero(first).tolist()


def _simple_chains(after: list[int], lead: list[int]) -> list[tuple[Index, bool]]:
    """Chains where every edge has at most one before and one after it."""
    done = bytearray(len(after))
    found: list[tuple[Index, bool]] = []
    for begin in (*lead, *range(len(after))):
        if done[begin]:
            continue
        path = []
        k = begin
        while k >= 0 and not done[k]:
            done[k] = 1
            path.append(k)
            k = after[k]
        found.append((np.array(path, dtype=np.int64), k >= 0))
    return found


def _walk(v: int, out: dict[int, list[int]], tails: list[int]) -> list[tuple[Index, bool]]:
    """One walk from ``v`` until it can go no further; loops that it closes on the way are cut off."""
    done: list[tuple[Index, bool]] = []
    path: list[int] = []
    at = [v]
    seen = {v: 0}
    while out.get(at[-1]):
        k = out[at[-1]].pop()
        path.append(k)
        w = tails[k]
        if w in seen:
            begin = seen[w]
            done.append((np.array(path[begin:], dtype=np.int64), True))
            for u in at[begin + 1 :]:
                del seen[u]
            del path[begin:]
            del at[begin + 1 :]
        else:
            at.append(w)
            seen[w] = len(at) - 1
    if path:
        done.append((np.array(path, dtype=np.int64), False))
    return done
