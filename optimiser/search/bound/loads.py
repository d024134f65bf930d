"""What lamps draw at the very least, what circuits carry at the very most. In: Facts. Out: Loads.

Everything here is on the safe side of a proof: loads are rounded down, allowances up, prices taken where they are
kindest.

* A lamp of constant power draws at least P / V, V the source's stated EMF less what that current itself loses in the
  lead and over the shortest way in the thickest copper, since no voltage at the lamp is higher; its load on the driver
  is P x terminal volts / V, which is no less than P x EMF / V. One of constant current draws its rated current; a
  resistance at least what the lowest voltage it may run at drives through it: the window is judged at the lowest
  source, and at the stated source no lamp has fewer volts.
* A driver is loaded with its terminal voltage x the amps of its lamps; that voltage is no lower than at full load. A
  wound driver that ``Facts`` knows as several feeds, by how far it is loaded, is taken with the limits of full load.
* A circuit is protected one *way*: by the driver's own limit (price 0, no further limit), or by a fuse or breaker.
  Then it carries at most the load factor x its rating, and the loop to each lamp, over the shortest way in the
  thickest copper that the rating allows, must let a short open it. Any way: at most the outlet's amps, the driver's
  load and the thickest cable's rating; and the lamp's own current over the shortest way in the thickest copper leaves
  it its volts.
* So with ``share`` = least over all ways to feed a lamp of its amps / the most amps of such a circuit, the shares of
  the lamps of one circuit add up to at most 1. A circuit holds one dim group, and lamps of two *clusters*, which no
  driver model serves together, are never on one circuit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..facts import KEEP_A, KEEP_V, KEEP_W, LOAD_CURRENT, LOAD_POWER, CableFacts, Facts

ROUND = 1e-9
SPARE = 0.001
"""Amps and watts allowed beyond what drivers and outlets may carry, so that no rounding excludes what holds."""


@dataclass(frozen=True)
class Way:
    """A way to feed circuits: a driver model with a protection. ``amps``, ``share``, ``watts``: (S, N), infinite
    where a lamp cannot be fed so from a supply point; ``price``: of the fuse."""

    model: int
    rating_a: float
    price: float
    amps: np.ndarray
    share: np.ndarray
    watts: np.ndarray


@dataclass(frozen=True)
class Model:
    """What the feeds of one driver model share: most load and amps of a driver where nothing is derated."""

    price: float
    max_w: float
    max_total_a: float
    outlets: int
    terminal_cables: int
    mixes_groups: bool


@dataclass(frozen=True)
class Loads:
    """
    Least loads and greatest allowances of one job.

    Attributes
    ----------
    models
        By driver model's index.
    ways
        Ways to feed circuits that serve some lamp.
    share
        (N,) least part of a circuit that each lamp takes.
    watts
        (N,) least load of each lamp, in W or VA.
    cluster
        (N,) number of the lamp's cluster.
    cable_m
        Least price of a metre of cable that any circuit may use.
    cables
        All cables that some circuit may use.
    """

    models: dict[int, Model]
    ways: list[Way]
    share: np.ndarray
    watts: np.ndarray
    cluster: np.ndarray
    cable_m: float
    cables: tuple[CableFacts, ...]

    def least_circuits(self, lamps: np.ndarray) -> int:
        """Least number of circuits that feed these lamps (indices)."""
        sums: dict[int, float] = {}
        for cluster, share in zip(self.cluster[lamps].tolist(), self.share[lamps].tolist(), strict=True):
            sums[cluster] = sums.get(cluster, 0.0) + share
        return sum(max(1, math.ceil(total - 1e-6)) for total in sums.values())


def gather_loads(facts: Facts, dist_m: np.ndarray | None = None) -> Loads:
    """
    Look all feeds and lamps over once.

    ``dist_m``: (S, N) metres that no way from a supply point to a lamp's joint is below; default, those of the graph.
    """
    dist_m = shortest_m(facts) if dist_m is None else dist_m
    models: dict[int, Model] = {}
    found: dict[tuple[int, float], Way] = {}
    usable: set[int] = set()
    thickest_a = max(cable.rating_a for cable in facts.cables)
    for f, feed in enumerate(facts.feeds):
        share = feed.load_share
        max_w = (feed.max_w + KEEP_W) / share + SPARE
        max_total_a = feed.max_total_a / share + ROUND
        old = models.get(feed.model)
        models[feed.model] = Model(
            price=feed.price,
            max_w=max_w,
            max_total_a=max_total_a,
            outlets=feed.outlets,
            terminal_cables=feed.terminal_cables,
            mixes_groups=feed.mixes_groups,
        )
        assert old is None or old.price == feed.price
        served = np.array([f in feeds for feeds in facts.lamp_feeds])
        loaded = (feed.max_w + KEEP_W) / share * max(facts.supply_loading) / _full_load_v(facts, f)
        for rating_a, price, most_a, ohm, by_device in _protections(facts, f):
            if rating_a > thickest_a + 1e-9:
                continue
            most = min(feed.max_a + (KEEP_A + SPARE), max_total_a, thickest_a, most_a, loaded) + ROUND
            allowed = [cable for cable in facts.cables if cable.rating_a >= rating_a - 1e-6]
            usable.update(k for k, cable in enumerate(facts.cables) if cable in allowed)
            shape = (len(facts.supply_price), facts.num_lamps)
            amps, watts = np.full(shape, math.inf), np.full(shape, math.inf)
            for lamp in np.flatnonzero(served).tolist():
                if not _lead_is_safe(facts, f, lamp, rating_a, by_device):
                    continue
                more = _more_for_losses(facts, f, lamp, dist_m[:, lamp], allowed)
                drawn = least_amps(facts, lamp, f) * (1 - ROUND) * more
                near = _in_reach(facts, f, lamp, drawn, dist_m[:, lamp], allowed, ohm)
                amps[near, lamp] = drawn[near]
                watts[near, lamp] = feed_watts(facts, lamp, f) * (1 - ROUND) * more[near]
            key = (feed.model, rating_a if by_device else -1.0)
            way = Way(feed.model, rating_a if by_device else -1.0, price, amps, amps / most, watts)
            if key in found:
                other = found[key]
                way = Way(
                    feed.model,
                    way.rating_a,
                    min(price, other.price),
                    np.minimum(amps, other.amps),
                    np.minimum(way.share, other.share),
                    np.minimum(watts, other.watts),
                )
            found[key] = way
    ways = _useful([way for way in found.values() if np.isfinite(way.amps).any()])
    none = np.full(facts.num_lamps, math.inf)
    cables = tuple(facts.cables[k] for k in sorted(usable))
    return Loads(
        models=models,
        ways=ways,
        share=np.min([way.share.min(axis=0) for way in ways], axis=0) if ways else none,
        watts=np.min([way.watts.min(axis=0) for way in ways], axis=0) if ways else none,
        cluster=_clusters(facts, ways),
        cable_m=min((cable.price_m for cable in cables), default=math.inf),
        cables=cables,
    )


def shortest_m(facts: Facts) -> np.ndarray:
    """(S, N) length of the shortest way from each supply point to the nearest node of each lamp's leads, in m."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import dijkstra

    graph = facts.graph
    n = graph.num_nodes
    matrix = csr_matrix((graph.length_m + 1e-9, (graph.ends[:, 0], graph.ends[:, 1])), shape=(n, n))
    dist = dijkstra(matrix, directed=False, indices=graph.supply_node)
    out = np.full((len(graph.supply_node), facts.num_lamps), math.inf)
    for arc in graph.leads:
        out[:, arc.lamp] = np.minimum(out[:, arc.lamp], dist[:, arc.node])
    return out * (1 - 1e-6)


def _useful(ways: list[Way]) -> list[Way]:
    """Without those that another way of the same model equals or betters for every lamp."""
    kept: list[Way] = []
    for way in sorted(ways, key=lambda w: (w.model, w.price, w.rating_a)):
        if not any(
            other.model == way.model
            and other.price <= way.price
            and (other.share <= way.share).all()
            and (other.amps <= way.amps).all()
            and (other.watts <= way.watts).all()
            for other in kept
        ):
            kept.append(way)
    return kept


def _protections(facts: Facts, f: int) -> list[tuple[float, float, float, float, bool]]:
    """Ways to protect a circuit: (least cable rating, price, most amps, most loop ohm, whether by a device)."""
    feed = facts.feeds[f]
    ways: list[tuple[float, float, float, float, bool]] = []
    if feed.limit_a < math.inf:
        ways.append((feed.limit_a, 0.0, math.inf, math.inf, False))
    if feed.limit_mode in ("hold", "none"):
        devices = [] if feed.breaker_a is None else [(feed.breaker_a, 0.0)]
        devices += [(rating, facts.fuse_price) for rating in facts.fuse_ratings]
        for rating, price in devices:
            ohm = feed.source_low_v / (facts.open_factor * rating) - feed.internal_ohm
            if feed.limit_a >= facts.open_factor * rating - 1e-6 and ohm > 0:
                ways.append((rating, price, facts.fuse_load * rating, ohm, True))
    return ways


def _lead_is_safe(facts: Facts, f: int, lamp: int, rating_a: float, by_device: bool) -> bool:
    """Whether the lamp's lead is protected: by the driver, or by this device opening in time."""
    feed = facts.feeds[f]
    mm2, lead_a = facts.type_lead[facts.lamp_type[lamp]]
    if feed.limit_a <= lead_a + 1e-6:
        return True
    if by_device:
        return (facts.open_factor * rating_a) ** 2 * facts.open_s <= (115 * mm2) ** 2 * (1 + 1e-9)
    return feed.limit_mode in ("hiccup", "foldback", "latch") and feed.short_rms_a <= lead_a + 1e-6


def _more_for_losses(facts: Facts, f: int, lamp: int, dist_m: np.ndarray, cables: list[CableFacts]) -> np.ndarray:
    """(S,) factor on a constant power's least current and load, for what that current loses on the shortest way."""
    more = np.ones(len(dist_m))
    t = facts.lamp_type[lamp]
    if facts.type_load[t] != LOAD_POWER:
        return more
    source_v = facts.feeds[f].emf_v
    hot = min(min(c.hot_ohm, c.sun_ohm) for c in cables)
    ohm = np.where(np.isfinite(dist_m), dist_m, 0.0) * facts.slack * hot + facts.type_lead_hot_ohm[t]
    for _ in range(3):  # each step is a bound, for the one before is
        lost_v = least_amps(facts, lamp, f) * (1 - ROUND) * more * ohm
        more = np.where(lost_v < source_v / 2, source_v / np.maximum(source_v - lost_v, source_v / 2), 1.0)
    return more * (1 - ROUND)


def _in_reach(
    facts: Facts, f: int, lamp: int, amps: np.ndarray, dist_m: np.ndarray, cables: list[CableFacts], most_ohm: float
) -> np.ndarray:
    """(S,) whether the lamp alone keeps its volts, and a short at it opens the device, from each supply point."""
    feed, t = facts.feeds[f], facts.lamp_type[lamp]
    hot = min(min(c.hot_ohm, c.sun_ohm) for c in cables)
    fault = min(c.fault_ohm for c in cables)
    laid_m = dist_m * facts.slack
    budget = min(feed.budget_v[t] + feed.emf_v - feed.out_v, feed.low_budget_v[t] + feed.source_low_v - feed.low_v)
    drop = amps * (laid_m * hot + facts.type_lead_hot_ohm[t])
    short_ohm = laid_m * fault + facts.type_lead_fault_ohm[t]
    near: np.ndarray = np.isfinite(dist_m) & (drop <= budget + KEEP_V) & (short_ohm <= most_ohm + 1e-9)
    return near


def _full_load_v(facts: Facts, f: int) -> float:
    """Terminal voltage at the stated source and full load: the least there is."""
    feed = facts.feeds[f]
    return feed.emf_v - (feed.emf_v - feed.out_v) / feed.load_share


def least_amps(facts: Facts, lamp: int, f: int) -> float:
    """Least amps that a lamp draws on a feed at its stated source, in A."""
    load = facts.type_load[facts.lamp_type[lamp]]
    volts = _lowest_v(facts, lamp, f) if load not in (LOAD_POWER, LOAD_CURRENT) else facts.feeds[f].emf_v
    return facts.lamp_amps(lamp, volts, facts.feed_ac[f])


def feed_watts(facts: Facts, lamp: int, f: int) -> float:
    """Least load that a lamp puts on a driver, in W or VA: terminal voltage x amps."""
    t = facts.lamp_type[lamp]
    if facts.type_load[t] == LOAD_POWER:  # out_v x P / (V factor) with V <= out_v
        return facts.lamp_watts[lamp] / (facts.type_factor_ac[t] if facts.feed_ac[f] else 1.0)
    return _full_load_v(facts, f) * least_amps(facts, lamp, f)


def _lowest_v(facts: Facts, lamp: int, f: int) -> float:
    feed, t = facts.feeds[f], facts.lamp_type[lamp]
    window_low = feed.low_v - feed.low_budget_v[t] - KEEP_V
    drop_low = _full_load_v(facts, f) - feed.budget_v[t] - KEEP_V if feed.budget_v[t] < math.inf else 0.0
    return min(max(window_low, drop_low, 0.0), feed.out_v)


def least_watts(facts: Facts, lamp: int) -> float:
    """The least power any feed that serves this lamp delivers at its terminals for it, in W or VA."""
    return min((feed_watts(facts, lamp, f) for f in facts.lamp_feeds[lamp]), default=math.inf)


def _clusters(facts: Facts, ways: list[Way]) -> np.ndarray:
    """Number of each lamp's cluster, its first lamp: the same dim group and joined by ways to feed both."""
    from scipy.cluster.hierarchy import DisjointSet

    joined = DisjointSet(range(facts.num_lamps))
    first: dict[tuple[int, str], int] = {}
    for way in ways:
        for lamp in np.flatnonzero(np.isfinite(way.amps).any(axis=0)).tolist():
            joined.merge(first.setdefault((way.model, facts.lamp_group[lamp]), lamp), lamp)
    number: dict[int, int] = {}
    return np.array([number.setdefault(joined[lamp], lamp) for lamp in range(facts.num_lamps)], dtype=np.int64)
