"""Alternatives planned side by side: the same whoever does the work, and only what is proven is called certain."""

from __future__ import annotations

import dataclasses
import itertools
import json
from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree

import networkx as nx
import numpy as np
import pytest

from optimiser.check import check_plan
from optimiser.compare.alike import same_layout
from optimiser.compare.alternatives import Variant, list_variants
from optimiser.compare.common_ground import BoundTask, bound_on, same_ground, union_of
from optimiser.compare.compare import Compared, Wanted, compare
from optimiser.compare.model import Figures
from optimiser.compare.verdict import differences, recommendation
from optimiser.compare.workers import workers
from optimiser.documents.compare_folder import comparison_contents
from optimiser.documents.compare_sheet import draw_side_by_side
from optimiser.documents.compare_text import comparison_text
from optimiser.ground import Ground, build_ground
from optimiser.job_folder import open_job
from optimiser.make_plan import Made, Options, make_plan, make_whole
from optimiser.search.stopping import StopSignal
from optimiser.search.warm import carry
from tests.brief_search import brief_search

LITTLE = Options(effort=0.02)

MORE = """
[[alternatives]]
name = "too thin"
overrides = { "voltage.max_drop" = 1, "voltage.drop_from" = "nominal" }
without = ["cables.2 x 2.5"]

[[alternatives]]
name = "dearer bed"
overrides = { "grounds.bed.per_m" = 6.5 }
"""


def ran(variants: Sequence[Variant], processes: int = 1, options: Options = LITTLE) -> Compared:
    with workers(processes, None, StopSignal()) as crew:
        return compare([variants], options, crew, lambda text: None)[0]


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory, cases: Path) -> Path:
    folder = tmp_path_factory.mktemp("compare") / "terrace"
    folder.mkdir()
    job = (cases / "terrace/job.toml").read_text(encoding="utf-8")
    (folder / "job.toml").write_text(job + MORE, encoding="utf-8")
    (folder / "survey.csv").write_bytes((cases / "terrace/survey.csv").read_bytes())
    return folder


@pytest.fixture(scope="module")
def variants(garden: Path) -> list[Variant]:
    return list_variants(garden, [1, 2])


@pytest.fixture(scope="module")
def compared(variants: list[Variant]) -> Compared:
    return ran(variants)


def test_the_result_does_not_depend_on_the_number_of_workers(variants: list[Variant], compared: Compared) -> None:
    other = ran(variants, processes=2)
    assert comparison_contents(other.comparison, other.plans, Path("x")) == comparison_contents(
        compared.comparison, compared.plans, Path("x")
    )


def test_each_alternative_is_planned_as_it_would_be_alone(variants: list[Variant], compared: Compared) -> None:
    one = variants[1]
    alone = make_plan(one.folder, Options(effort=LITTLE.effort, num_drivers=one.num_drivers))
    planned = compared.plans[1]
    assert planned is not None and planned[0] == alone


def test_every_plan_holds_and_the_one_that_cannot_be_is_shown_as_such(
    variants: list[Variant], compared: Compared
) -> None:
    statuses = {result.name: result.status for result in compared.comparison.alternatives}
    assert statuses == {
        "1 driver": "planned", "2 drivers": "planned", "too thin": "no_feasible_layout", "dearer bed": "planned"
    }  # fmt: skip
    for variant, planned, result in zip(variants, compared.plans, compared.comparison.alternatives, strict=True):
        if planned is None:
            assert result.figures is None and result.folder is None
            assert result.why
            for why in result.why:  # each obstacle with its reason and what mends it
                assert "Even alone on" in why and "Any one of these removes this obstacle: " in why
            continue
        job, survey = variant.folder.job, variant.folder.survey
        assert not check_plan(planned[0], job, survey, variant.folder.digest).violations


def figures(compared: Compared, name: str) -> Figures:
    found = next(result.figures for result in compared.comparison.alternatives if result.name == name)
    assert found is not None
    return found


def test_the_figures_are_those_of_the_plan(compared: Compared) -> None:
    """Added up here by hand from the plan's own records."""
    planned = compared.plans[1]
    assert planned is not None
    plan, two = planned[0], figures(compared, "2 drivers")
    assert two.cost.total == plan.cost.total
    assert two.trench_m == pytest.approx(sum(t.length_m for t in plan.trenches if t.sleeve is None))
    assert sum(two.cable_m.values()) == pytest.approx(sum(cable.cut_m for cable in plan.cables))
    volts = sorted(lamp.volts for lamp in plan.lamps)
    assert (two.lowest_v, two.highest_v, two.spread_v) == (volts[0], volts[-1], pytest.approx(volts[-1] - volts[0]))
    # 60 W drivers loaded to 80 % at most: the job's "60 W", the default limit of electronic drivers
    assert two.spare_w == pytest.approx(2 * 48 - sum(driver.load_w for driver in plan.drivers), abs=0.1)


def test_a_second_driver_where_one_does_is_dearer_for_certain(compared: Compared) -> None:
    """
    Six lamps of 4 W need one driver of 60 W. A second one costs 75, far more than all cable of the job.

    What is said to be certain must hold against the plan found, too.
    """
    said = {difference.other: difference for difference in compared.comparison.differences}
    assert compared.comparison.recommended == "1 driver"
    two = said["2 drivers"]
    assert two.certainty == "certain" and two.at_least is not None
    assert 0 < two.at_least <= two.costs_more
    bound = figures(compared, "2 drivers").bound_on_common
    assert (
        bound is not None
        and figures(compared, "1 driver").cost.total < bound <= figures(compared, "2 drivers").cost.total
    )
    assert compared.comparison.common_ground is not None
    assert compared.comparison.common_ground.alternatives == ["1 driver", "2 drivers"]
    says = compared.comparison.says
    assert ("at least" in says and "of that is certain" in says) or "too close" in says


def test_where_ground_prices_differ_nothing_is_certain_on_a_common_graph(compared: Compared) -> None:
    said = {difference.other: difference for difference in compared.comparison.differences}
    assert said["dearer bed"].certainty != "certain"
    assert figures(compared, "dearer bed").bound_on_common is None
    assert "own ground" in said["dearer bed"].says


@pytest.fixture(scope="module")
def twice(cases: Path) -> Compared:
    """The same job twice, but for a setting that no layout depends on."""
    path = cases / "terrace"
    with brief_search():
        return ran(
            [Variant(name, open_job(path, {"mains.volts": volts}), None) for name, volts in (("a", 230), ("b", 240))]
        )


def test_one_layout_twice_is_called_that(twice: Compared) -> None:
    found = twice.comparison
    (difference,) = found.differences
    assert (difference.certainty, difference.costs_more) == ("same_layout", 0)
    assert difference.says.startswith("the same layout as 'a', at the same cost")
    assert found.says.startswith("Take 'a' or 'b': both are planned as the same layout, at ")
    assert "costs the same as the recommended one: the same layout" in words_of_sheet(twice)
    assert "too close" not in comparison_text(found, out=None) and "the same layout" in comparison_text(found, out=None)


def test_other_layouts_of_one_cost_are_too_close_to_call(twice: Compared) -> None:
    """The same two, had they been planned otherwise for the same sum."""
    results = twice.comparison.alternatives
    (difference,) = differences(results[0], results, ["a", "b"], "EUR")
    assert difference.certainty == "too_close_to_call" and difference.could_save is not None
    assert difference.says.startswith("too close to call: as planned, 'b' costs the same")
    close = dataclasses.replace(twice, comparison=twice.comparison.model_copy(update={"differences": [difference]}))
    assert "costs the same as the recommended one: too close to call" in words_of_sheet(close)
    more = difference.model_copy(update={"costs_more": 3.2})
    dearer = dataclasses.replace(twice, comparison=twice.comparison.model_copy(update={"differences": [more]}))
    assert "3.20 EUR more than the recommended one: too close to call" in words_of_sheet(dearer)


def words_of_sheet(compared: Compared) -> list[str]:
    svg = draw_side_by_side(compared.comparison, [None if one is None else one[0] for one in compared.plans])
    return ["".join(node.itertext()) for node in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def test_a_layout_is_the_same_whatever_its_parts_are_called_and_cost(twice: Compared) -> None:
    assert twice.plans[0] is not None
    plan = twice.plans[0][0]
    first = plan.cables[0]
    turned = first.model_copy(update={"route": first.route[::-1], "price": first.price + 1, "drop_v": 0.0})
    assert same_layout(plan, plan.model_copy(update={"cables": [*plan.cables[1:], turned]}))
    thicker = first.model_copy(update={"cable": "2 x 2.5" if first.cable != "2 x 2.5" else "2 x 1.5"})
    moved = plan.joints[0].model_copy(update={"x": plan.joints[0].x + 0.001})
    other = plan.drivers[0].model_copy(update={"model": "another"})
    for change in (
        {"cables": [thicker, *plan.cables[1:]]},
        {"cables": plan.cables[1:]},
        {"joints": [moved, *plan.joints[1:]]},
        {"drivers": [other, *plan.drivers[1:]]},
        {"trenches": plan.trenches[1:]},
    ):
        assert not same_layout(plan, plan.model_copy(update=change))


# --- the common ground


@pytest.fixture(scope="module")
def two_made(cases: Path) -> list[tuple[Variant, Made]]:
    variants = list_variants(cases / "terrace", [1, 2])
    return [
        (one, make_whole(one.folder, Options(effort=0.02, num_drivers=one.num_drivers, prove=False)))
        for one in variants
    ]


def places(ground: Ground) -> list[tuple[int, int]]:
    return [tuple(place) for place in np.round(ground.graph.xyz[:, :2] * 1000).astype(int).tolist()]


def prices(ground: Ground) -> dict[frozenset[tuple[int, int]], float]:
    at = places(ground)
    return {
        frozenset((at[u], at[v])): float(price)
        for (u, v), price in zip(ground.graph.ends.tolist(), ground.graph.trench_price, strict=True)
    }


def test_the_union_holds_every_place_line_and_lead_of_both_and_no_other(two_made: list[tuple[Variant, Made]]) -> None:
    grounds = [made.ground for _, made in two_made]
    union = union_of(grounds)
    assert set(places(union)) == set(places(grounds[0])) | set(places(grounds[1]))
    assert len(places(union)) == len(set(places(union)))
    assert prices(union) == prices(grounds[0]) | prices(grounds[1])
    assert len(union.graph.ends) == len({tuple(pair) for pair in union.graph.ends.tolist()})

    def leads(ground: Ground) -> set[tuple[int, tuple[int, int], float]]:
        at = places(ground)
        return {(arc.lamp, at[arc.node], arc.price) for arc in ground.graph.leads}

    assert leads(union) == leads(grounds[0]) | leads(grounds[1])
    assert len(union.graph.leads) == len({(arc.lamp, arc.node) for arc in union.graph.leads})


def test_no_way_on_the_union_is_dearer_than_on_either_graph(two_made: list[tuple[Variant, Made]]) -> None:
    """Shortest ways by networkx, between all supply points and lamps' joint places."""
    grounds = [made.ground for _, made in two_made]

    def ways(ground: Ground) -> dict[tuple[int, int], float]:
        graph = nx.Graph()
        for (u, v), price in zip(ground.graph.ends.tolist(), ground.graph.trench_price.tolist(), strict=True):
            graph.add_edge(u, v, price=price)
        found = {}
        for supply in ground.graph.supply_node.tolist():
            far = nx.single_source_dijkstra_path_length(graph, supply, weight="price")
            for lamp in range(ground.graph.num_lamps):
                found[supply, lamp] = min(far.get(arc.node, np.inf) for arc in ground.graph.leads if arc.lamp == lamp)
        return found

    union = ways(union_of(grounds))
    for ground in grounds:
        for pair, price in ways(ground).items():
            assert union[pair] <= price + 1e-9


def test_bounds_on_the_union_undercut_every_plan_that_lies_on_it(two_made: list[tuple[Variant, Made]]) -> None:
    union = union_of([made.ground for _, made in two_made])
    for variant, made in two_made:
        bound = bound_on(BoundTask(variant, union.graph, 0.0), StopSignal())
        assert 0 < bound <= made.plan.cost.total


def test_other_grounds_are_told_apart(two_made: list[tuple[Variant, Made]], cases: Path) -> None:
    (one, made), (two, other) = two_made
    assert same_ground(one.folder, made.ground, two.folder, other.ground)
    for overrides in ({"grounds.lawn.per_m": 11}, {"lamps.spike.lead_m": 1.5}, {"grounds.bed.crossing": 2}):
        folder = open_job(cases / "terrace", overrides)
        assert not same_ground(one.folder, made.ground, folder, build_ground(folder.job, folder.survey))


# --- starts from layouts of like jobs


def test_a_layout_is_kept_by_the_same_job_and_mended_for_a_tighter_one(
    two_made: list[tuple[Variant, Made]], cases: Path
) -> None:
    variant, made = two_made[0]
    warm = carry(variant.folder.job, variant.folder.survey, made.ground.graph, made.layout)
    least = Options(effort=0.01, num_drivers=1, prove=False)
    assert max(lamp.drop_pct for lamp in made.plan.lamps) > 4
    again = make_whole(variant.folder, least, warm=[warm])
    assert again.plan.cost.total <= made.plan.cost.total + 0.02
    tight = open_job(cases / "terrace", {"voltage.max_drop": "4 %"})
    mended = make_whole(tight, least, warm=[warm])
    assert max(lamp.drop_pct for lamp in mended.plan.lamps) <= 4
    assert len(mended.plan.drivers) == 1


def test_comparisons_are_json_that_says_what_was_asked(compared: Compared) -> None:
    data = json.loads(comparison_contents(compared.comparison, compared.plans, Path("x"))["comparison.json"])
    assert [row["name"] for row in data["alternatives"]] == ["1 driver", "2 drivers", "too thin", "dearer bed"]
    assert data["alternatives"][3]["overrides"] == {"grounds.bed.per_m": 6.5}
    assert data["recommended"] == "1 driver"


def test_stopping_before_any_layout_is_told_as_that(variants: list[Variant]) -> None:
    from optimiser.problems import StoppedBeforeLayout

    stop = StopSignal()
    stop.ask()
    with workers(1, None, stop) as crew:
        try:
            found = compare([variants], LITTLE, crew, lambda text: None, Wanted())
        except StoppedBeforeLayout:
            return
    # a first layout may have been had all the same: then it is shown with how it ended
    planned = [result for result in found[0].comparison.alternatives if result.figures is not None]
    assert planned and all(result.figures and result.figures.outcome == "stopped_by_user" for result in planned)


def test_pairs_need_no_order(two_made: list[tuple[Variant, Made]]) -> None:
    """The union has the same places and lines whichever graph comes first."""
    grounds = [made.ground for _, made in two_made]
    first, second = (union_of(list(order)) for order in itertools.permutations(grounds))
    assert prices(first) == prices(second)


def test_what_was_not_searched_is_said_beside_the_recommendation(compared: Compared) -> None:
    one, two, thin, bed = compared.comparison.alternatives
    assert one.figures is not None
    cut = one.model_copy(update={"figures": one.figures.model_copy(update={"outcome": "stopped_by_user"})})
    bare = two.model_copy(update={"figures": None, "status": "stopped"})
    lost = bed.model_copy(update={"figures": None, "status": "lost"})
    says = recommendation(cut, [cut, bare, lost], [], "EUR")
    assert says.startswith("Take '1 driver' at ") and ": it is the only one that was planned." in says
    assert says.endswith(" '1 driver' was not searched to the end. '2 drivers' and 'dearer bed' were not planned.")
    assert recommendation(None, [bare], [], "EUR") == "Stopped before anything was planned."
    assert recommendation(None, [lost], [], "EUR") == "Its workers were lost before anything was planned."
    assert recommendation(None, [thin, bare], [], "EUR") == (
        "None of the alternatives has a layout. '2 drivers' was not planned."
    )
