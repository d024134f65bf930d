"""Which alternative, why, and how sure that is. In: figures by name. Out: one sentence, a Difference for each other.

A is cheaper than B for certain only if A's cost is below what is proven that B costs at least, and both hold on one
ground graph. A's plan lies on the common graph, so its cost holds there; B's bound must be proven there.
"""

from __future__ import annotations

from collections.abc import Container, Sequence

from .model import AlternativeResult, Certainty, Difference, Figures

PARTS = {
    "trench": "trench and leads",
    "cable": "cable",
    "joints": "joints",
    "drivers": "drivers",
    "supplies": "supply points",
    "fuses": "fuses",
}
CENT = 0.005


def cheapest(results: Sequence[AlternativeResult]) -> AlternativeResult | None:
    """The planned one of least cost; of equal ones that with fewer drivers, then the first."""
    planned = [result for result in results if result.figures is not None]
    return min(planned, key=lambda r: (_figures(r).cost.total, len(_figures(r).drivers)), default=None)


def differences(
    best: AlternativeResult,
    results: Sequence[AlternativeResult],
    sharing: Container[str],
    currency: str,
    alike: Container[str] = (),
) -> list[Difference]:
    """The recommended one against each other that was planned; ``sharing`` its ground, ``alike`` planned as it is."""
    return [
        _difference(best, other, common=other.name in sharing, alike=other.name in alike, currency=currency)
        for other in results
        if other is not best and other.figures is not None
    ]


def _difference(
    best: AlternativeResult, other: AlternativeResult, *, common: bool, alike: bool, currency: str
) -> Difference:
    a, b = _figures(best), _figures(other)
    more = round(b.cost.total - a.cost.total, 2)
    on_common = b.bound_on_common if common else None
    bound = on_common if on_common is not None else b.bound
    where = "" if on_common is not None else " on its own ground"
    certainty: Certainty
    if bound is not None and bound - a.cost.total > CENT and (on_common is not None or not common):
        least = round(bound - a.cost.total, 2)
        says = f"certain{where}: no layout of '{other.name}' costs less than {_sum(bound, currency)}, "
        says += f"which is {_sum(least, currency)} more than '{best.name}'"
        certainty = "certain" if common else "certain_on_its_own_graph"
        return Difference(
            other=other.name,
            costs_more=more,
            certainty=certainty,
            at_least=least,
            could_save=None,
            says=says,
        )
    could = None if bound is None else round(max(0.0, a.cost.total - bound), 2)
    certainty = "same_layout" if alike and more <= CENT else "too_close_to_call"
    says = f"too close to call: as planned, '{other.name}' costs {_sum(more, currency)} more"
    if certainty == "same_layout":
        says = f"the same layout as '{best.name}', at the same cost"
    elif more <= CENT:
        says = f"too close to call: as planned, '{other.name}' costs the same"
    if could is None:
        says += "; what it costs at least is not known"
    elif could > CENT:
        says += f", but nothing proven{where} rules out that it is up to {_sum(could, currency)} cheaper"
    else:
        says += f"; it cannot be cheaper{where}"
    return Difference(
        other=other.name, costs_more=more, certainty=certainty, at_least=None, could_save=could, says=says
    )


def recommendation(
    best: AlternativeResult | None,
    results: Sequence[AlternativeResult],
    against: Sequence[Difference],
    currency: str,
) -> str:
    """One sentence: which, by how much, why, and how sure; another where something was not searched to the end."""
    if all(result.status in ("stopped", "lost") for result in results):
        lost = any(result.status == "lost" for result in results)
        return "Its workers were lost before anything was planned." if lost else "Stopped before anything was planned."
    return _which(best, results, against, currency) + _not_searched(results)


def _not_searched(results: Sequence[AlternativeResult]) -> str:
    """What was stopped or lost, for who takes the cheapest must know what it was not compared with."""
    cut = [r for r in results if r.figures is not None and r.figures.outcome in ("stopped_by_user", "stopped_by_time")]
    bare = [r for r in results if r.status in ("stopped", "lost")]
    says = ""
    if cut:
        says += f" {_listed(cut)} {'was' if len(cut) == 1 else 'were'} not searched to the end."
    if bare:
        says += f" {_listed(bare)} {'was' if len(bare) == 1 else 'were'} not planned."
    return says


def _listed(results: Sequence[AlternativeResult]) -> str:
    quoted = [f"'{result.name}'" for result in results]
    return " and ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


def _which(
    best: AlternativeResult | None,
    results: Sequence[AlternativeResult],
    against: Sequence[Difference],
    currency: str,
) -> str:
    if best is None:
        return "None of the alternatives has a layout."
    a = _figures(best)
    others = sorted(against, key=lambda difference: difference.costs_more)
    failed = [result for result in results if result.figures is None and result.status not in ("stopped", "lost")]
    if not others:
        says = f"Take '{best.name}' at {_sum(a.cost.total, currency)}: it is the only one"
        if len(failed) + 1 < len(results):
            return f"{says} that was planned."
        return f"{says} with a layout." if failed else f"{says}."
    next_best = next(result for result in results if result.name == others[0].other)
    b, near = _figures(next_best), others[0]
    if near.certainty == "same_layout":
        return (
            f"Take '{best.name}' or '{next_best.name}': both are planned as the same layout, at "
            f"{_sum(a.cost.total, currency)}."
        )
    if near.costs_more <= CENT:
        return (
            f"Take '{best.name}' or '{next_best.name}': both cost {_sum(a.cost.total, currency)} as planned, "
            "and neither is known to be cheaper."
        )
    says = (
        f"Take '{best.name}': at {_sum(a.cost.total, currency)} it costs {_sum(near.costs_more, currency)} less than "
        f"'{next_best.name}'{', the next cheapest' if len(others) > 1 else ''}, {_reason(a, b, currency)}"
    )
    least = _sum(near.at_least or 0.0, currency)
    sure = {
        "certain": f"and at least {least} of that is certain, on the ground that both were searched on",
        "certain_on_its_own_graph": f"and at least {least} of that is certain, each on the ground it was searched on",
        "too_close_to_call": "but by what is proven the two are too close to call",
        "same_layout": "",  # that costs the same
    }[near.certainty]
    open_still = [f"'{d.other}'" for d in others[1:] if d.certainty == "too_close_to_call"]
    if open_still and near.certainty != "too_close_to_call":
        sure += f"; too close to call is {' and '.join(open_still)}"
    return f"{says}; {sure}." if near.certainty == "too_close_to_call" else f"{says}, {sure}."


def _reason(a: Figures, b: Figures, currency: str) -> str:
    """The part of the cost that saves most, and the part that it costs most."""
    saved = {name: round(getattr(b.cost, key) - getattr(a.cost, key), 2) for key, name in PARTS.items()}
    most = max(saved, key=lambda name: saved[name])
    least = min(saved, key=lambda name: saved[name])
    says = f"because it spends {_sum(saved[most], currency)} less on {most}"
    if saved[least] < -CENT:
        says += f", against {_sum(-saved[least], currency)} more on {least}"
    return says


def _figures(result: AlternativeResult) -> Figures:
    assert result.figures is not None
    return result.figures


def _sum(value: float, currency: str) -> str:
    return f"{value:,.2f} {currency}".rstrip()
