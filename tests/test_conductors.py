"""Conductors against IEC 60228, AWG tables, BS 7671's millivolts per ampere per metre and 33 CFR 183.425."""

import pytest

from optimiser import conductors

# IEC 60228, maximum d.c. resistance at 20 °C in ohm/km: class 2 plain, class 5 plain, class 5 tinned (tables 2 and 3;
# copies of them by three cable makers agree).
IEC_60228 = {
    0.5: (36.0, 39.0, 40.1),
    0.75: (24.5, 26.0, 26.7),
    1: (18.1, 19.5, 20.0),
    1.5: (12.1, 13.3, 13.7),
    2.5: (7.41, 7.98, 8.21),
    4: (4.61, 4.95, 5.09),
    6: (3.08, 3.30, 3.39),
    10: (1.83, 1.91, 1.95),
    16: (1.15, 1.21, 1.24),
}


@pytest.mark.parametrize("mm2", IEC_60228)
def test_resistance_is_iec_60228s(mm2: float) -> None:
    plain_2, plain_5, tinned_5 = IEC_60228[mm2]
    assert conductors.ohm_per_m(mm2, 2) * 1000 == pytest.approx(plain_2, rel=1e-12)
    assert conductors.ohm_per_m(mm2, 1) * 1000 == pytest.approx(plain_2, rel=1e-12)  # class 1: same figures, 1.5 … 16
    assert conductors.ohm_per_m(mm2, 5) * 1000 == pytest.approx(plain_5, rel=1e-12)
    assert conductors.ohm_per_m(mm2, 5, tinned=True) * 1000 == pytest.approx(tinned_5, rel=1e-12)


# AWG: diameter in mm and resistance at 20 °C in ohm/km (published wire tables, computed from ASTM B258 diameters), and
# NEC chapter 9, table 8, uncoated solid copper at 75 °C in ohm per 1000 ft, circular mils beside it.
AWG = {
    18: (0.8230, 20.94, 7.77, 1620),
    16: (1.3087, 13.17, 4.89, 2580),
    14: (2.0809, 8.28, 3.07, 4110),
    12: (3.3088, 5.21, 1.93, 6530),
    10: (5.2612, 3.28, 1.21, 10380),
    8: (8.3656, 2.06, 0.764, 16510),
}
MM2_PER_CIRCULAR_MIL = 3.141592653589793 / 4 * 0.0254**2


@pytest.mark.parametrize("awg", AWG)
def test_awg_is_astm_b258_and_nec_table_8(awg: int) -> None:
    mm2, ohm_per_km, nec_ohm_per_kft, circular_mils = AWG[awg]
    assert conductors.awg_mm2(awg) == pytest.approx(mm2, abs=5e-5)
    assert conductors.awg_mm2(awg) / MM2_PER_CIRCULAR_MIL == pytest.approx(circular_mils, abs=5.5)  # printed in tens
    assert conductors.ohm_per_m(None, awg=awg) * 1000 == pytest.approx(ohm_per_km, abs=0.0085)  # 20.948 printed 20.94
    # NEC prints three digits and takes 0.00323 /K at 75 °C: 0.2 % beside half a unit of the last digit.
    half_unit = 0.0005 if nec_ohm_per_kft < 1 else 0.005
    at_75_per_kft = conductors.ohm_per_m(None, awg=awg, temperature_c=75) * 304.8
    assert at_75_per_kft == pytest.approx(nec_ohm_per_kft, abs=half_unit + 0.002 * nec_ohm_per_kft)


def test_temperature_factor() -> None:
    # 1 + 0.00393 (t - 20), coefficient of IEC 60287-1-1 table 1, worked out by hand.
    for temperature_c, factor in {60: 1.1572, 70: 1.1965, 75: 1.21615, 90: 1.2751, 20: 1.0, -10: 0.8821}.items():
        assert conductors.temperature_factor(temperature_c) == pytest.approx(factor, abs=1e-9)
    # FAA AC 43.13-1B change 1, paragraph 11-66: R2 / R20 = (234.5 + T2) / 254.5.
    for temperature_c in range(-40, 161, 5):
        assert conductors.temperature_factor(temperature_c) == pytest.approx((234.5 + temperature_c) / 254.5, abs=2e-4)
    # IEC 60228's factors to bring a reading to 20 °C round the coefficient to 1/250: they agree within 0.5 %.
    k_t = {5: 1.064, 10: 1.042, 15: 1.020, 25: 0.980, 30: 0.962, 40: 0.926, 50: 0.893, 60: 0.862, 70: 0.833, 90: 0.781}
    for temperature_c, to_20 in k_t.items():
        assert 1 / conductors.temperature_factor(temperature_c) == pytest.approx(to_20, rel=5e-3)


def test_millivolts_per_ampere_and_metre_are_bs_7671s_as_printed() -> None:
    """
    BS 7671 appendix 4 computes its drop tables with IEC 60228 resistance and (230 + t) / 250.

    Two digits are printed. Two entries of 4D1B stand apart in print (1 mm²: 44 for 43.4; 6 mm²: 7.3 for 7.39).
    """
    tables = {  # class, tinned, factor, mV/A/m by size
        "4F3B": (5, True, 290 / 250, {0.5: 93, 0.75: 62, 1: 46, 1.5: 32, 2.5: 19, 4: 12}),
        "4E4B": (2, False, 320 / 250, {1.5: 31, 2.5: 19, 4: 12, 6: 7.9, 10: 4.7, 16: 2.9}),
        "4D1B": (2, False, 300 / 250, {1.5: 29, 2.5: 18, 4: 11, 10: 4.4, 16: 2.8}),
    }
    for name, (conductor, tinned, factor, printed) in tables.items():
        for mm2, millivolts in printed.items():
            ours = 2 * conductors.ohm_per_m(mm2, conductor, tinned=tinned) * 1000 * factor
            assert float(f"{ours:.2g}") == millivolts, (name, mm2, ours)
    for mm2, millivolts in {1: 44, 6: 7.3}.items():
        assert 2400 * conductors.ohm_per_m(mm2, 2) == pytest.approx(millivolts, rel=0.015)


def test_millivolts_at_the_exact_temperature() -> None:
    """Two-core XLPE armoured at 90 °C, V/A/km as a cable maker prints them (three digits below 100, one decimal)."""
    for mm2, printed in {1.5: 30.9, 2.5: 18.9, 4: 11.8, 6: 7.9, 10: 4.7, 16: 2.9}.items():
        assert 2000 * conductors.ohm_per_m(mm2, 2, temperature_c=90) == pytest.approx(printed, abs=0.05)


def test_plain_flexible_copper_stays_below_the_tinned_table() -> None:
    """4F3B is for tinned conductors: plain class 5 at 60 °C must come out lower, by less than a tenth."""
    for mm2, millivolts in {0.5: 93, 0.75: 62, 1: 46, 1.5: 32, 2.5: 19, 4: 12}.items():
        ours = 2000 * conductors.ohm_per_m(mm2, 5, temperature_c=60)
        assert 0.9 * millivolts < ours < millivolts


def test_default_ratings() -> None:
    # BS 7671 table 4F3A (two-core flexible) to 4 mm²; table 4D1A, two single PVC cables clipped direct, above.
    table = {0.5: 3, 0.75: 6, 1: 10, 1.5: 16, 2.5: 25, 4: 32, 6: 47, 10: 65, 16: 87}
    assert {mm2: conductors.default_rating_a(mm2, None) for mm2 in table} == table
    # 33 CFR 183.425 table 5, conductors of boats under 50 V, 60 °C insulation.
    table_5 = {18: 10, 16: 15, 14: 20, 12: 25, 10: 40, 8: 55}
    assert {awg: conductors.default_rating_a(None, awg) for awg in table_5} == table_5
    assert conductors.default_rating_a(None, 11) is None
    assert conductors.default_rating_a(3.0, None) is None
    assert conductors.default_lead_rating_a(0.75) == 6
    assert conductors.default_lead_rating_a(0.82) == 6  # AWG 18: the next smaller size of the table
    assert conductors.default_lead_rating_a(0.3) == 0


def test_what_the_tables_do_not_hold() -> None:
    assert conductors.is_known(2.5, None, 5, True)
    assert not conductors.is_known(2.5, None, 2, True)
    assert not conductors.is_known(3.0, None, 5, False)
    with pytest.raises(KeyError, match=r"no resistance in the tables for 3\.0 mm², class 5, tinned"):
        conductors.ohm_per_m(3.0, 5, tinned=True)
