"""Rules A and B and the leads, each at its limit. Rules of DEVELOPERS.md: common practice, no source but for k."""

import math
from typing import Any

import pytest

from optimiser.electrics.protection import (
    K_COPPER_PVC,
    Protection,
    opens_before_lead_overheats,
    protect,
)
from optimiser.job import Driver, Fuses, LampType

FUSES = Fuses(ratings_a=(5, 3, 10, 2), price=4)  # unsorted on purpose
LEADS = [(0.75, 6.0), (0.5, 3.0)]


def driver(**changes: object) -> Driver:
    return Driver.model_validate({"taps_v": [12], "rated_w": 60, "price": 1} | changes)


def protected(
    model: Driver,
    *,
    amps: float = 1.5,
    cables: list[float] | None = None,
    short_a: float = 50,
    leads: list[tuple[float, float]] | None = None,
    fuses: Fuses = FUSES,
) -> Protection:
    ratings = [25.0, 16.0] if cables is None else cables
    return protect(model, amps, ratings, [60, short_a], LEADS if leads is None else leads, fuses)


# --- rule A --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("limit_a", "ok"), [(2.9, True), (3.0, True), (3.01, False)])
def test_rule_a_holds_for_cables_and_leads_alike(limit_a: float, ok: bool) -> None:
    found = protected(driver(limit_a=limit_a), fuses=Fuses(ratings_a=(50,)))
    assert found.ok == ok
    assert (found.rule, found.fuse_a, found.breaker_a, found.short_a) == ("A" if ok else None, None, None, None)
    assert bool(found.sentence) == ok
    assert bool(found.why_not) != ok


def test_rule_a_looks_at_the_weakest_cable() -> None:
    model = driver(limit_a=10, limit_mode="hiccup", short_rms_a=1)
    assert protected(model, cables=[25, 10]).rule == "A"
    assert not protected(model, cables=[25, 9.9]).ok


@pytest.mark.parametrize("mode", ["hiccup", "foldback", "latch"])
@pytest.mark.parametrize(("short_rms_a", "ok"), [(2.99, True), (3.0, True), (3.01, False), (None, False)])
def test_a_driver_that_gives_up_protects_leads_by_its_stated_current(
    mode: str, short_rms_a: float | None, ok: bool
) -> None:
    found = protected(driver(limit_a=8, limit_mode=mode, short_rms_a=short_rms_a))
    assert found.ok == ok
    if ok:
        assert f"({mode}, {short_rms_a:g} A r.m.s.)" in found.sentence
    else:
        assert f"a fuse behind a {mode} driver may never open" in found.why_not


def test_a_held_short_does_not_count_as_giving_up() -> None:
    assert protected(driver(limit_a=8, limit_mode="hold", short_rms_a=1), fuses=Fuses(ratings_a=(50,))).ok is False


def test_the_sentence_says_the_figures() -> None:
    assert protected(driver(limit_a=2.5)).sentence == (
        "Rule A: the driver limits at 2.5 A and every cable carries at least 16 A, every lead 3 A; no fuse is needed."
    )
    assert protected(driver(limit_mode="none"), short_a=9.19).sentence == (
        "Rule B: a 2 A fuse; the circuit draws 1.50 A (at most 80 % of it), every cable carries at least 16 A, and a "
        "short at any far end draws at least 9.1 A, enough to open it (3 x 2 A = 6 A); it opens before a lead of "
        "0.5 mm² is too hot."
    )


# --- rule B --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amps", "fuse_a"), [(1.6, 2), (1.61, 3), (2.4, 3), (2.41, 5), (4.0, 5), (8.0, 10), (8.01, None)]
)
def test_the_smallest_fuse_that_carries_the_load(amps: float, fuse_a: float | None) -> None:
    found = protected(driver(limit_mode="none"), amps=amps, leads=[(1.5, 16.0)])
    assert found.fuse_a == fuse_a
    assert found.ok == (fuse_a is not None)
    if fuse_a:
        assert (found.rule, found.short_a) == ("B", 50)
    else:
        assert "the circuit draws 8.01 A, more than 80 % of it" in found.why_not


@pytest.mark.parametrize(("weakest", "ok"), [(5, True), (4.99, False)])
def test_no_fuse_above_a_cable(weakest: float, ok: bool) -> None:
    found = protected(driver(limit_mode="none"), amps=4, cables=[25, weakest], leads=[(1.5, 16.0)])
    assert found.ok == ok


@pytest.mark.parametrize(("short_a", "ok"), [(6.0, True), (5.99, False)])
def test_a_short_at_the_worst_far_end_must_open_it(short_a: float, ok: bool) -> None:
    found = protected(driver(limit_mode="none"), short_a=short_a)
    assert found.ok == ok
    if not ok:
        assert "it opens at 6 A and a short at the worst far end draws 5.99 A" in found.why_not


@pytest.mark.parametrize(("limit_a", "ok"), [(6.0, True), (5.99, False)])
def test_the_driver_must_be_able_to_open_it(limit_a: float, ok: bool) -> None:
    found = protected(driver(limit_a=limit_a))
    assert found.ok == ok
    assert found.fuse_a == (2 if ok else None)


def test_behind_a_driver_that_gives_up_no_device_counts() -> None:
    model = driver(limit_a=30, limit_mode="hiccup", breaker_a=2)
    assert not protected(model).ok


def test_a_breaker_comes_before_a_fuse_and_a_fuse_stands_in_for_it() -> None:
    fits = protected(driver(limit_mode="none", breaker_a=3))
    assert (fits.breaker_a, fits.fuse_a, fits.rule) == (3, None, "B")
    assert fits.sentence.startswith("Rule B: the 3 A breaker built into the outlet;")
    too_large = protected(driver(limit_mode="none", breaker_a=20))
    assert (too_large.breaker_a, too_large.fuse_a) == (None, 2)


@pytest.mark.parametrize("how", [{"limit_a": 1.9}, {"limit_mode": "none"}], ids=["rule A", "a larger fuse"])
def test_a_breaker_too_small_for_the_load_is_not_passed_over(how: dict[str, Any]) -> None:
    """1.6 A are just 0.8 x 2 A: the breaker built into the outlet carries them, and no more, whatever protects."""
    assert protected(driver(**how, breaker_a=2), amps=1.6).ok
    found = protected(driver(**how, breaker_a=2), amps=1.61)
    assert not found.ok
    assert "1.61 A, more than 80 % of the 2 A breaker built into the outlet" in found.why_not


def test_factors_are_the_jobs() -> None:
    careful = Fuses(ratings_a=(2, 3, 4), load_factor=0.5, open_factor=5)
    assert protected(driver(limit_mode="none"), amps=1.5, short_a=15, fuses=careful).fuse_a == 3
    assert not protected(driver(limit_mode="none"), amps=1.5, short_a=14.9, fuses=careful).ok


# --- leads ---------------------------------------------------------------------------------------------------------


def test_heat_of_a_lead_by_hand() -> None:
    """(3 x 8)² x 5 = 2880 <= (115 x 0.5)² = 3306 A²s; (3 x 9)² x 5 = 3645 is too much; k = 115: IEC 60364-4-43."""
    assert opens_before_lead_overheats(8, 0.5, Fuses())
    assert not opens_before_lead_overheats(9, 0.5, Fuses())
    edge = 115 * 0.5 / math.sqrt(5) / 3
    assert opens_before_lead_overheats(edge * (1 - 1e-9), 0.5, Fuses())
    assert not opens_before_lead_overheats(edge * (1 + 1e-9), 0.5, Fuses())


def test_one_thin_lead_forbids_a_large_fuse() -> None:
    stiff = driver(limit_mode="none")
    assert protected(stiff, amps=7, short_a=50, leads=[(0.75, 6.0)]).fuse_a == 10  # 4500 <= 7439 A²s
    found = protected(stiff, amps=7, short_a=50, leads=[(0.75, 6.0), (0.5, 3.0)])
    assert not found.ok
    assert "it opens too late for a lead of 0.5 mm²" in found.why_not
    assert protected(stiff, amps=7, short_a=50, leads=[]).fuse_a == 10  # posts have no leads


def test_a_fuse_for_the_leads_where_the_limit_guards_the_cables_alone() -> None:
    found = protected(driver(limit_a=10))
    assert (found.rule, found.fuse_a) == ("B", 2)


def test_k_of_copper_in_pvc_from_the_heat_it_takes() -> None:
    """
    k² = heat capacity x ln((1/a + hot) / (1/a + warm)) / (a x resistivity at 20 °C), without loss of heat.

    Copper takes 3.45 J/K a cubic centimetre (handbooks, from memory) and has 1/58 ohm mm²/m at 20 °C (IEC 60028); its
    resistance vanishes, drawn on straight, at -234.5 °C (FAA AC 43.13-1B par. 11-66). PVC: from 70 to 160 °C.
    """
    capacity, rho_ohm_mm2_m, zero_c = 3.45, 1 / 58, 234.5  # J/(K cm³) is also 1e-3 J/(K mm² m)
    k = math.sqrt(capacity * (zero_c + 20) / rho_ohm_mm2_m * math.log((zero_c + 160) / (zero_c + 70)))
    assert k == pytest.approx(K_COPPER_PVC, rel=0.005)


def test_the_flexible_cable_table_is_the_leads_default() -> None:
    """BS 7671 table 4F3A, two conductors: 0.5 mm² 3 A, 0.75 mm² 6 A, 1 mm² 10 A, 1.5 mm² 16 A (seen in a copy)."""
    for mm2, amps in {0.5: 3, 0.75: 6, 1.0: 10, 1.5: 16}.items():
        kind = LampType.model_validate({"watts": 5, "volts": 12, "lead_mm2": mm2})
        assert kind.lead_rating == amps


def test_spare_load_is_named_where_it_sizes_the_fuse() -> None:
    model = driver(limit_mode="none")
    found = protect(model, 1.8, [16.0], [50.0], [(0.75, 6.0)], FUSES, with_spare=True)
    assert found.fuse_a == 3
    assert "the circuit draws 1.80 A with its spare load (at most 80 % of it)" in found.sentence
