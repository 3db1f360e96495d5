"""Average run lengths: how many points a chart lets pass until it signals, by the integral equation of each chart.

Points are independent and normal; the shift, and every length, is in standard deviations. The equations are solved at
the nodes of Gauss and Legendre, on pieces that are narrow beside the kernel (Crowder, 1987, for weighted means; Page,
1954, for cumulative sums).
"""

from math import inf, pi
from typing import Final

import numpy as np

from service.domain.distribution import normal_cdf
from service.domain.question import Floats

_NODES: Final = 12
_PIECES_MAX: Final = 25
LONGEST: Final = 1e9
"""Run lengths beyond this are not told: the equations lose their digits there."""


def shewhart_run_length(width: float, shift: float) -> float:
    """Of a chart of single values with limits `width` standard deviations from the centre."""
    outside = normal_cdf(-width - shift) + normal_cdf(shift - width)
    return _told(inf if outside == 0 else 1 / outside)


def cusum_run_length(k: float, h: float, shift: float) -> float:
    """Of both one-sided sums together, each from zero: their reciprocals add up (k and h in standard deviations)."""
    up, down = _one_sided(k, h, shift), _one_sided(k, h, -shift)
    return _told(inf if up == down == inf else 1 / (1 / up + 1 / down))


def ewma_run_length(weight: float, width: float, shift: float) -> float:
    """Of a weighted mean that starts at the target, with limits that have settled. inf where it cannot be computed."""
    edge = width * (weight / (2 - weight)) ** 0.5
    grid = _grid(-edge, edge, weight)
    if grid is None:
        return inf
    nodes, weights = grid
    kernel = _density((nodes[None, :] - (1 - weight) * nodes[:, None]) / weight - shift) * weights[None, :] / weight
    lengths = _solved(np.eye(len(nodes)) - kernel, np.ones(len(nodes)))
    if lengths is None:
        return inf
    from_target = _density(nodes / weight - shift) * weights / weight
    return _told(1 + float(from_target @ lengths))


def _one_sided(k: float, h: float, shift: float) -> float:
    """Of the upward sum: a sum is zero with a probability of its own, so the zero is an unknown beside the nodes."""
    grid = _grid(0.0, h, 1.0)
    if grid is None:
        return inf
    nodes, weights = grid
    at = np.concatenate(([0.0], nodes))
    kernel = np.empty((len(at), len(at)))
    kernel[:, 0] = [normal_cdf(k - shift - start) for start in at]
    kernel[:, 1:] = _density(nodes[None, :] - at[:, None] + k - shift) * weights[None, :]
    lengths = _solved(np.eye(len(at)) - kernel, np.ones(len(at)))
    return inf if lengths is None else _told(float(lengths[0]))


def _grid(low: float, high: float, narrow: float) -> tuple[Floats, Floats] | None:
    """Nodes and weights on pieces of two kernel widths at most; None where that takes too many."""
    pieces = int((high - low) / (2 * narrow)) + 1
    if pieces > _PIECES_MAX:
        return None
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    edges = np.linspace(low, high, pieces + 1)
    half = (edges[1:] - edges[:-1]) / 2
    middle = (edges[1:] + edges[:-1]) / 2
    return (middle[:, None] + half[:, None] * nodes).ravel(), (half[:, None] * weights).ravel()


def _density(z: Floats) -> Floats:
    density: Floats = np.exp(-z * z / 2) / (2 * pi) ** 0.5
    return density


def _solved(matrix: Floats, right: Floats) -> Floats | None:
    try:
        lengths = np.linalg.solve(matrix, right).astype(np.float64)
    except np.linalg.LinAlgError:
        return None
    return lengths


def _told(length: float) -> float:
    """inf for what is too long to be told, or came out as no length at all."""
    return length if 1 <= length <= LONGEST else inf
