"""Lethality and cooking times against published figures; each source stands beside its check."""

from __future__ import annotations

import math

import pytest

from coalminder.food import doneness


@pytest.mark.parametrize(
    ("temp_c", "rate", "minutes"),
    [
        (63, 0.117, 17.0), (64, 0.158, 12.7), (65, 0.215, 9.3), (66, 0.293, 6.8), (67, 0.398, 5.0),
        (68, 0.541, 3.7),
        (69, 0.736, 2.7), (70, 1.000, 2.0),
        (71, 1.359, 1.5), (72, 1.848, 1.0), (73, 2.512, 0.8), (74, 3.415, 0.6),
        (75, 4.642, 0.4), (77, 8.577, 0.2), (80, 21.54, 0.09), (85, 100.0, 0.02),
    ],
)  # fmt: skip
def test_listeria_lethal_rates(temp_c: float, rate: float, minutes: float) -> None:
    # FDA Hazards Guide, Appendix 4, Table A-3 (from memory; its own z of 7.5 °C reproduces it).
    assert doneness.lethal_rate(temp_c) == pytest.approx(rate, rel=0.006)
    # The table rounds the minutes to one figure below 1.
    assert doneness.SIX_D_MIN / doneness.lethal_rate(temp_c) == pytest.approx(minutes, rel=0.01, abs=0.09)


def test_lethal_rate_at_63() -> None:
    assert doneness.lethal_rate(63.0) == pytest.approx(0.1166, abs=1e-4)


def test_the_milder_rule_has_less_than_two_degrees_to_spare() -> None:
    """FDA Table A-3 (from memory): 30 min at 63 °C are 1.7 times the 6D time; at 61 °C too few."""
    rule = doneness.DONE_RULES["guidance-63"]
    assert rule.hold_min * doneness.lethal_rate(rule.core_c) == pytest.approx(30.0 / 17.15 * 2.0, rel=1e-3)
    assert rule.hold_min * doneness.lethal_rate(61.0) < doneness.SIX_D_MIN
    assert "at 61 °C the time is too short" in rule.conditions
    assert "melting ice and boiling water" in rule.conditions
    home = doneness.DONE_RULES["home-71"]
    assert home.hold_min * doneness.lethal_rate(home.core_c - 5.0) > 3.0 * doneness.SIX_D_MIN


def test_six_decades_take_two_minutes_at_seventy() -> None:
    # FDA Table A-3 and a review of Listeria limits: 70 °C for 2 min.
    assert doneness.SIX_D_MIN / doneness.lethal_rate(70.0) == pytest.approx(2.0, abs=0.01)


def test_lethality_of_a_ramp_has_its_closed_form() -> None:
    # Closed form: (z/ln 10)(10^(-5/7.5) - 10^(-15/7.5)) = 0.6692 min for 55 to 65 °C at 1 °C/min.
    times = [i / 60 for i in range(601)]
    temps = [55 + t for t in times]
    closed = 7.5 / math.log(10) * (10 ** (-5 / 7.5) - 10 ** (-15 / 7.5))
    assert closed == pytest.approx(0.6692, abs=1e-4)
    assert doneness.lethality_min(times, temps) == pytest.approx(0.6692, abs=0.001)


def test_lethality_of_a_minute_log() -> None:
    # Worked by hand with the trapezoid rule: 1.3027 min.
    temps = [50, 55, 60, 63, 65, 65, 65, 65, 65, 60, 55]
    assert doneness.lethality_min(list(range(11)), temps) == pytest.approx(1.3027, abs=1e-4)


def test_half_an_hour_at_63_is_more_than_six_decades() -> None:
    assert doneness.lethality_min([0, 30], [63, 63]) == pytest.approx(3.498, abs=0.001)


def test_rules_keep_to_their_sources() -> None:
    # PNW 238: 71 °C (160 °F) for 30 min. FDA ch. 13/16 (from memory) and the Australian standard: 63 °C for
    # 30 min.
    # USDA chart: poultry 165 °F, ground meat 160 °F.
    rules = doneness.DONE_RULES
    assert (rules["home-71"].core_c, rules["home-71"].hold_min) == (71.0, 30.0)
    assert rules["home-71"].core_c >= (160 - 32) / 1.8 - 0.2
    assert (rules["guidance-63"].core_c, rules["guidance-63"].hold_min) == (63.0, 30.0)
    assert rules["poultry-74"].core_c >= (165 - 32) / 1.8 - 0.2
    assert rules["meat-71"].core_c >= (160 - 32) / 1.8 - 0.2
    assert doneness.DEFAULT_RULE == "home-71"


@pytest.mark.parametrize("code", doneness.DONE_RULES)
@pytest.mark.parametrize(
    ("beside_c", "held"),
    [(0.0, 70.0), (3.0, 70.0), (-0.1, 60.0), (-0.5, 60.0), (-0.6, 0.0), (-5.0, 0.0)],
)
def test_time_counts_at_the_rule_or_above_and_a_real_fall_breaks_it(
    code: str, beside_c: float, held: float
) -> None:
    """The sources: 'for 30 min', without a break. Half a degree is the noise of a good probe (estimate)."""
    rule = doneness.DONE_RULES[code]
    assert doneness.held_s(60.0, 10.0, rule.core_c + beside_c, rule) == held
