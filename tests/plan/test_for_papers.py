"""What a plan holds for its papers: fixed points, kits, drivers' output, volts at joints and the bands to measure."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimiser.job_folder import JobFolder, open_job
from optimiser.make_plan import Options, make_plan
from optimiser.plan.model import Plan


@pytest.fixture(scope="module")
def terrace() -> tuple[JobFolder, Plan]:
    folder = open_job(Path(__file__).resolve().parents[2] / "cases" / "terrace")
    return folder, make_plan(folder, Options(effort=0.01))


def test_joint_volts_are_the_driver_s_less_the_drops_on_the_way(terrace: tuple[JobFolder, Plan]) -> None:
    _, plan = terrace
    out_v = {circuit.id: circuit.out_v for circuit in plan.circuits}
    above = {cable.to: cable for cable in plan.cables}
    for joint in plan.joints:
        volts, at, steps = out_v[joint.circuit], joint.id, 0
        while at in above:
            volts, at, steps = volts - above[at].drop_v, above[at].from_, steps + 1
        assert joint.volts == pytest.approx(volts, abs=0.0005 * (steps + 2))
    for lamp in plan.lamps:
        joint = next(joint for joint in plan.joints if joint.id == lamp.joint)
        assert lamp.joint_v == joint.volts


def test_bands_hold_what_the_plan_predicts(terrace: tuple[JobFolder, Plan]) -> None:
    _, plan = terrace
    by_id = {circuit.id: circuit for circuit in plan.circuits}
    for circuit in plan.circuits:
        assert circuit.idle_band_v and circuit.out_band_v and circuit.amps_band
        assert circuit.out_band_v[0] <= circuit.out_v <= circuit.out_band_v[1]
        assert circuit.amps_band[0] <= circuit.amps <= circuit.amps_band[1]
    for joint in plan.joints:
        assert joint.drop_band_v is not None and joint.volts is not None
        drop = by_id[joint.circuit].out_v - joint.volts
        assert 0 <= joint.drop_band_v[0] <= drop + 0.001 and drop - 0.001 <= joint.drop_band_v[1]


def test_kits_and_drivers_are_those_of_the_job(terrace: tuple[JobFolder, Plan]) -> None:
    folder, plan = terrace
    assert set(plan.kits_used) == {joint.kit for joint in plan.joints if joint.kit}
    for name, kit in plan.kits_used.items():
        own = folder.job.joints.kits[name]
        assert (kit.price, kit.labour, kit.max_ways, kit.pack) == (own.price, own.labour, own.max_ways, own.pack)
    for joint in plan.joints:
        if joint.kit:
            kit = plan.kits_used[joint.kit]
            assert joint.price == pytest.approx(kit.price + kit.labour)
    for driver in plan.drivers:
        model = folder.job.drivers[driver.model]
        assert (driver.kind, driver.rated_w) == (model.kind, model.rated_w)
        assert driver.output == ("ac" if model.ac else "dc")


def test_fixed_points_are_the_survey_s(terrace: tuple[JobFolder, Plan]) -> None:
    folder, plan = terrace
    assert [(p.name, p.of, p.x, p.y) for p in plan.site.fixed] == [
        (p.name, p.of, *p.place[:2]) for p in folder.survey.fixed
    ]
    assert [peg.name for peg in plan.site.pegs] == ["P1", "P2"]
