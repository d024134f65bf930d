"""The compact text a terminal shows when a plan is made. In: Plan. Out: lines of at most 80 columns.

It answers in the order in which a contractor asks: what it costs, how sure that is, what feeds what, which lamp is
tightest, what to dig and to buy, what it takes to run, what to mind, where the files are.
"""

from __future__ import annotations

from collections import Counter, defaultdict

from ..plan.model import Certainty, CircuitPlan, MainsSide, Plan, Running, Without
from .words import (
    INVENTED,
    OUTCOMES,
    PARTS,
    columns_of,
    counted,
    drop_of,
    fitted,
    how_sure,
    listed,
    metres,
    money,
    number,
    plain,
)

WIDTH = 80


def summary(plan: Plan, *, out: str | None) -> str:
    """
    Lines of text, ended by a newline.

    Parameters
    ----------
    plan
        The plan as published.
    out
        Folder that its files were written to; None where none were.
    """
    blocks = [_title(plan), _cost(plan), _sure(plan), _drivers(plan), _tightest(plan), _trenches(plan), _cables(plan)]
    if plan.certainty is not None:
        blocks.insert(5, _certain(plan, plan.certainty))
    if plan.running is not None:
        blocks.append(_running(plan, plan.running))
    if plan.mains is not None:
        blocks.append(_mains(plan.mains))
    if plan.warnings:
        blocks.append(_warnings(plan))
    if out is not None:
        blocks.append(_written(plan, out))
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _title(plan: Plan) -> list[str]:
    lines = wrapped(plain(plan.job.title), "")
    if plan.prices_are_invented:
        lines.append(INVENTED)
    for key, value in plan.job.overrides.items():
        says = (
            f"Without {plain(key)}."
            if value is None
            else f"With {plain(key)} = {plain(str(value))}, instead of what the job says."
        )
        lines += wrapped(says, "")
    return lines


def _cost(plan: Plan) -> list[str]:
    lines = ["Cost"]
    for key, name in PARTS:
        part: float = getattr(plan.cost, key)
        share = 100 * part / plan.cost.total if plan.cost.total else 0.0
        lines.append(f"  {name:<18}{number(part, 2):>12}{share:>6.0f} %")
    lines.append(f"  {'total':<18}{number(plan.cost.total, 2):>12} {plain(plan.currency)}".rstrip())
    return lines


def _sure(plan: Plan) -> list[str]:
    lines = ["How sure", *wrapped(how_sure(plan))]
    if plan.outcome != "proved_best":
        lines += wrapped(f"The search {OUTCOMES[plan.outcome]}.")
    return lines


def _drivers(plan: Plan) -> list[str]:
    asked = "" if plan.drivers_asked is None else " (as asked)"
    lines = [f"{counted(len(plan.drivers), 'driver')}{asked}, {counted(len(plan.circuits), 'circuit')}"]
    lines.append("  " + fitted("", 5) + fitted("at", 19) + fitted("model", 24) + "    tap      load  loading")
    for driver in plan.drivers:
        lines.append(
            f"  {fitted(driver.id, 4)} {fitted(driver.supply, 18)} {fitted(driver.model, 22)} "
            f"{number(driver.tap_v, 1):>6} V {number(driver.load_w, 1):>7} W {number(driver.load_pct, 0):>6} %"
        )
        for circuit in plan.circuits:
            if circuit.driver == driver.id:
                lines.append(_circuit(circuit))
                if circuit.dim_group:
                    lines += wrapped(f"dim group {plain(circuit.dim_group)}", " " * 9)
    return lines


def _circuit(circuit: CircuitPlan) -> str:
    head = f"    {fitted(circuit.id, 4)} outlet {circuit.outlet:<2} {counted(len(circuit.lamps), 'lamp'):>9}"
    return f"{head} {number(circuit.amps, 2):>7} A   {protection(circuit)}"


def protection(circuit: CircuitPlan) -> str:
    """What opens on a fault, in a few words."""
    short = "" if circuit.short_a is None else f", a short draws {number(circuit.short_a, 1)} A"
    if circuit.fuse_a is not None:
        return f"fuse {circuit.fuse_a:g} A{short}"
    if circuit.breaker_a is not None:
        return f"outlet's breaker {circuit.breaker_a:g} A{short}"
    return "the driver's own limit"


def _tightest(plan: Plan) -> list[str]:
    lamp = min(plan.lamps, key=lambda lamp: (lamp.margin_v, lamp.id))
    says = (
        f"{plain(lamp.id)} gets {number(lamp.volts, 2)} V with all lamps on ({drop_of(lamp.drop_pct)}); "
        f"at worst {number(lamp.low_v, 2)} to {number(lamp.high_v, 2)} V, "
        f"which is {number(lamp.margin_v, 2)} V inside its window."
    )
    return ["Tightest lamp", *wrapped(says), *_spare(plan)]


def _certain(plan: Plan, certain: Certainty) -> list[str]:
    """What holds wherever the data stray within the job's tolerances, and what that costs."""
    lines = ["How certain (data anywhere within the job's tolerances)"]
    loose = [lamp for lamp in plan.lamps if lamp.sure_margin_v is None]
    sure = [(lamp.sure_margin_v, lamp.id, lamp) for lamp in plan.lamps if lamp.sure_margin_v is not None]
    if sure:
        margin_v, name, lamp = min(sure)
        inside = f"{number(abs(margin_v), 2)} V {'inside' if margin_v >= 0 else 'OUTSIDE'} its window"
        low_v, high_v = lamp.sure_low_v or 0.0, lamp.sure_high_v or 0.0
        lines += wrapped(f"{plain(name)} is the tightest: {number(low_v, 2)} to {number(high_v, 2)} V, {inside}.")
    if loose:
        lines += wrapped(f"For {counted(len(loose), 'lamp')} no volts can be guaranteed.")
    chance, name = max((lamp.outside_pct or 0.0, lamp.id) for lamp in plan.lamps)
    seen = f"in {certain.samples:,} samples (seed {certain.seed})"
    says = f"{plain(name)} in {chance:g} % of them" if chance else "no lamp"
    lines += wrapped(f"Outside its window {seen}: {says}{', more often than any other' if chance else ''}.")
    other = certain.without
    if other is not None:
        less = plan.cost.total - other.cost
        same = other.effort >= plan.effort
        search = "by a search of the same effort" if same else f"by a search of effort {other.effort:g} only"
        if less < 0.005:
            shown = "this seems to cost nothing" if same else "what this costs is not shown"
            lines += wrapped(f"No cheaper plan was found without tolerances, {search}: {shown}.")
        else:
            lines += wrapped(
                f"This costs {money(less, plan.currency)}: without tolerances {money(other.cost, plan.currency)} was "
                f"found, {search}. {_lost(other)}"
            )
    return lines


def _lost(other: Without) -> str:
    """What the plan found without tolerances does not keep."""
    if not other.outside:
        return "There every lamp is sure of its window; whether the largest drop is kept as surely was not judged."
    return (
        f"There the guaranteed volts of {counted(other.outside, 'lamp')} leave the window, "
        f"with a chance up to {other.outside_pct:g} %."
    )


def _spare(plan: Plan) -> list[str]:
    """How the lamp that is dimmest with the job's spare load stands then; nothing where the job asks for none."""
    grown = [(lamp.grown_low_v, lamp.id) for lamp in plan.lamps if lamp.grown_low_v is not None]
    rule = next((rule.value for rule in plan.rules if rule.name == "spare load"), "")
    if not grown or not rule:
        return []
    low_v, name = min(grown)
    return wrapped(f"Spare load: {rule}; the lowest then is {plain(name)} with {number(low_v, 2)} V.")


def _trenches(plan: Plan) -> list[str]:
    by_ground: dict[str, float] = defaultdict(float)
    sleeve_m = 0.0
    for trench in plan.trenches:
        if trench.sleeve is None:
            by_ground[trench.ground] += trench.length_m
        else:
            sleeve_m += trench.length_m
    lines = [f"Trench {metres(sum(by_ground.values()))}"]
    for ground, length_m in sorted(by_ground.items(), key=lambda item: (-item[1], item[0])):
        lines.append(f"  {fitted(ground, 22)}{metres(length_m):>12}")
    if sleeve_m:
        lines.append(f"  {fitted('through sleeves', 22)}{metres(sleeve_m):>12}")
    return lines


def _cables(plan: Plan) -> list[str]:
    cut_m: dict[str, float] = defaultdict(float)
    pieces: Counter[str] = Counter()
    for cable in plan.cables:
        cut_m[cable.cable] += cable.cut_m
        pieces[cable.cable] += 1
    lines = [f"Cable {metres(sum(cut_m.values()))}, {counted(len(plan.cables), 'piece')}"]
    for name, length_m in cut_m.items():
        used = plan.cables_used.get(name)
        size = used.size if used else ""
        bought = [reels for reels in plan.reels if reels.cable == name and reels.count]
        buy = " + ".join(f"{reels.count} × {reels.reel_m:g} m" for reels in bought)
        lines.append(f"  {fitted(name, 22)}{metres(length_m):>12}   {fitted(size, 10)} buy {buy or '-'}")
    price = sum(reels.price for reels in plan.reels)
    if plan.reels:
        proven = all(reels.proven_least for reels in plan.reels)
        says = "proven least" if proven else "best found"
        lines += wrapped(f"Whole reels cost {money(price, plan.currency)} ({says}).")
    return lines


def _running(plan: Plan, run: Running) -> list[str]:
    lines = [f"A year's use ({counted(run.nights, 'night')}, {number(run.hours, 0)} hours, {run.on} to {run.off})"]
    for name, kwh in (
        ("lamps", run.lamps_kwh),
        ("cable and leads", run.cable_kwh),
        ("drivers", run.drivers_kwh),
        ("standby", run.standby_kwh),
    ):
        share = 100 * kwh / run.total_kwh if run.total_kwh else 0.0
        lines.append(f"  {name:<18}{number(kwh, 1):>12} kWh{share:>6.0f} %")
    lines.append(f"  {'total':<18}{number(run.total_kwh, 1):>12} kWh")
    if run.cost is not None and run.price_per_kwh is not None:
        tariff = max(f"{run.price_per_kwh:.2f}", f"{run.price_per_kwh:g}", key=len)  # 0.30, 0.2875
        lines += wrapped(f"At {tariff} a kWh this costs {money(run.cost, plan.currency)} a year.")
    if run.dim_pct < 100:
        lines += wrapped(f"Lamps dimmed to {run.dim_pct:g} % of full power.")
    if run.assumed:
        names = listed(plain(name) for name in run.assumed)
        lines += wrapped(f"Efficiency or standby is a default of common practice: write the maker's ({names}).")
    return lines


def _mains(mains: MainsSide) -> list[str]:
    lines = [f"Mains side, {mains.volts:g} V, all lamps fully on"]
    for point in mains.supplies:
        rated = [f"timer {point.timer_a:g} A"] if point.timer_a is not None else []
        rated += [f"inrush {_of(point.inrush_a)} of {point.inrush_limit_a:g} A"] if point.inrush_limit_a else []
        rated += [f"dimmer {point.dimmer_va:g} VA"] if point.dimmer_va is not None else []
        row = f"  {fitted(point.supply, 18)} {number(point.watts, 1):>11} W {number(point.va, 1):>9} VA"
        lines.append(f"{row} {number(point.amps, 2):>7} A")
        lines += [f"    {', '.join(rated)}"] if rated else []
    return lines + wrapped(mains.says)


def _of(inrush_a: float | None) -> str:
    return "not stated" if inrush_a is None else f"{inrush_a:g}"


def _warnings(plan: Plan) -> list[str]:
    lines = [counted(len(plan.warnings), "warning")]
    for warning in plan.warnings:
        first, *more = wrapped(plain(warning), "    ")
        lines += ["  - " + first.lstrip(), *more]
    return lines


def _written(plan: Plan, out: str) -> list[str]:
    names = ["plan.json", "cut_list.csv", "plan.svg", "lists.pdf", *plan.job.files]
    return ["Written to", f"  {out}", *wrapped(", ".join(map(plain, names)))]


def wrapped(text: str, indent: str = "  ") -> list[str]:
    """Lines of at most WIDTH columns; wide characters count two."""
    lines: list[str] = []
    line = indent
    for word in text.split():
        wide = columns_of(word)
        while wide > WIDTH - len(indent):  # a word longer than a line is broken
            part = word[: (WIDTH - len(indent)) // 2]
            word = word[len(part) :]
            wide -= columns_of(part)
            lines += [line] if line.strip() else []
            lines.append(indent + part)
            line = indent
        joined = line + word if line == indent else f"{line} {word}"
        if columns_of(joined) > WIDTH:
            lines.append(line)
            joined = indent + word
        line = joined
    return [*lines, line]
