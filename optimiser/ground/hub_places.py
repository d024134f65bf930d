"""Where circuits may branch. In: terminals (lamps and supply points). Out: Fermat points of neighbouring triples.

Three straight trenches from a Fermat point to the corners of a triangle are the shortest that join them. Triples: the
Delaunay triangles of the terminals, and every terminal with two of its nearest neighbours. Triangles with a corner of
120 degrees or more have their Fermat point at that corner, which is no new place.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from .graph import Floats, Ints


def delaunay_triangles(points: Floats) -> Ints:
    """(t, 3) triangles of (n, 2) points; none where they are too few or all on one line."""
    if len(points) < 3:
        return np.empty((0, 3), dtype=np.int64)
    from scipy.spatial import Delaunay, QhullError

    try:
        # QJ would move points; Qbb Qc Qz as by default. Points on one line leave no triangle.
        return np.asarray(Delaunay(points - points.mean(axis=0)).simplices, dtype=np.int64)
    except QhullError:
        return np.empty((0, 3), dtype=np.int64)


def pairs_of_triangles(triangles: Ints) -> Ints:
    """(e, 2) edges of triangles, lower first, each once."""
    if not len(triangles):
        return np.empty((0, 2), dtype=np.int64)
    edges = np.vstack([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [0, 2]]])
    return np.unique(np.sort(edges, axis=1), axis=0)


def nearest_neighbours(points: Floats, count: int) -> Ints:
    """(n, count) nearest other points; -1 where there are fewer."""
    from scipy.spatial import cKDTree

    n = len(points)
    if n < 2:
        return np.full((n, count), -1, dtype=np.int64)
    k = min(count + 1, n)
    found = cKDTree(points).query(points, k=k)[1].reshape(n, k)
    out = np.full((n, count), -1, dtype=np.int64)
    for idx in range(n):
        others = [int(other) for other in found[idx] if other != idx][:count]
        out[idx, : len(others)] = others
    return out


def neighbour_triples(points: Floats, count: int) -> Ints:
    """(t, 3) Delaunay triangles and triples of a point with two of its ``count`` nearest, each once, sorted."""
    triples = {tuple(sorted(map(int, triangle))) for triangle in delaunay_triangles(points)}
    for idx, row in enumerate(nearest_neighbours(points, count)):
        for one, two in combinations([int(other) for other in row if other >= 0], 2):
            triples.add(tuple(sorted((idx, one, two))))
    return np.array(sorted(triples), dtype=np.int64).reshape(-1, 3)


def fermat_points(a: Floats, b: Floats, c: Floats) -> tuple[Floats, Floats]:
    """
    Fermat points of t triangles, corners (t, 2) each.

    Returns
    -------
    (t, 2) points in barycentric form: weights 1 / (cot(corner) + cot(60 degrees)); (t,) whether all corners are below
    120 degrees, so that the point is a place of its own. The formula is the classical one for the first isogonic
    centre (its trilinears are csc(A + 60 degrees) : csc(B + 60 degrees) : csc(C + 60 degrees)).
    """
    corners = np.stack([a, b, c])
    weights, inner = [], np.ones(len(a), dtype=bool)
    for idx in range(3):
        u, v = corners[(idx + 1) % 3] - corners[idx], corners[(idx + 2) % 3] - corners[idx]
        dot = (u * v).sum(axis=1)
        cross = np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
        lengths = np.hypot(*u.T) * np.hypot(*v.T)
        inner &= (cross > 1e-9 * lengths) & (dot > -0.4999 * lengths)
        # 1 / (cot A + cot 60): barycentric weight of the first isogonic centre; of corners in line, any number will do.
        bottom = dot + cross / np.sqrt(3)
        weights.append(cross / np.where((cross == 0) | (bottom == 0), 1.0, bottom))
    weight = np.stack(weights)
    total = weight.sum(axis=0)
    point = (weight[:, :, None] * corners).sum(axis=0) / np.where(np.abs(total) < 1e-12, 1.0, total)[:, None]
    return point, inner
