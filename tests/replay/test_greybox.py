"""The physical model fitted to a record: it finds what was changed, and knows what wind does."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from coalminder.core import Config
from coalminder.grill import Fittings, Kettle, KettleParameters, Weather
from coalminder.journal import read
from coalminder.rehearse.fast import run_fast
from coalminder.replay.greybox import GreyBox, fit_kettle, simulate, weather_shift
from coalminder.replay.series import Series
from coalminder.replay.tell import tell_physical
from coalminder.replay.whatif import Cook, from_record
from coalminder.values import Phase


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> Cook:
    """A kettle with a smaller vent and twice the coals lit, in gusts."""
    folder = tmp_path_factory.mktemp("odd")
    fittings = replace(Fittings(), lower_m2=42e-4)
    grill = Kettle(KettleParameters(), fittings, Weather(seed=6), lit_frac=0.24, seed=6)
    run_fast(grill, Config(), (), 4800, record=folder)
    with read(next(folder.glob("*.cook"))) as record:
        return from_record(record, "odd")


@pytest.fixture(scope="module")
def fitted(odd: Cook) -> GreyBox:
    return fit_kettle(odd)


def test_fit_finds_what_is_odd_about_the_kettle(odd: Cook, fitted: GreyBox) -> None:
    unfitted = float(np.sqrt(np.mean((simulate(odd, np.zeros(6)) - odd.series.pit_c) ** 2)))
    assert fitted.rms_c < 0.35 * unfitted
    vent = fitted.intervals["lower_m2"]
    assert vent.low < 0.6 < vent.high < 1.1
    assert fitted.times["lit_frac"] == pytest.approx(2.0, rel=0.35)


def test_more_wind_is_known_to_matter_as_much_as_on_the_kettle_itself(odd: Cook, fitted: GreyBox) -> None:
    shift = weather_shift(odd, fitted, wind_m_per_s=6.0)

    def pit(wind_m_per_s: float) -> float:
        """The true kettle under the recorded vents."""
        fittings = replace(Fittings(), lower_m2=42e-4, pit_noise_c=0.0)
        grill = Kettle(
            KettleParameters(), fittings, Weather(wind_m_per_s=wind_m_per_s, gust_frac=0.0), lit_frac=0.24
        )
        from coalminder.vents.curve import DEFAULT_CURVE

        for lower, upper in zip(odd.series.lower, odd.series.upper, strict=True):
            grill.advance(1.0, DEFAULT_CURVE.position(float(lower)), DEFAULT_CURVE.position(float(upper)))
        return grill.pit_c()

    truth = pit(6.0) - pit(3.0)
    assert abs(truth) > 1.0
    assert float(np.mean(shift[-300:])) == pytest.approx(truth, rel=0.5)


def test_record_that_begins_in_the_middle_is_refused(odd: Cook) -> None:
    late = replace(
        odd, series=odd.series.part(slice(3000, None)), inputs=odd.inputs[3000:], now_s=odd.now_s[3000:]
    )
    with pytest.raises(ValueError, match="begins in the phase"):
        fit_kettle(late)


def begun(cook: Cook, cold_s: int) -> Cook:
    """The daemon started `cold_s` before the fire was lit: rows of a cold grill before the cook's own."""
    first = cook.series.part(np.zeros(cold_s, dtype=int))
    cold = replace(first, phase=np.full(cold_s, Phase.COLD.value), lower=np.zeros(cold_s))
    columns = {
        name: np.concatenate([getattr(cold, name), getattr(cook.series, name)])
        for name in Series.__dataclass_fields__
    } | {"time_s": np.arange(cold_s + len(cook.series), dtype=float)}
    idle = (replace(cook.inputs[0], events=()),) * cold_s
    series = Series(**columns)
    return replace(cook, series=series, inputs=(*idle, *cook.inputs), now_s=tuple(series.time_s.tolist()))


def test_the_coals_burn_from_their_lighting_on_and_not_from_the_start_of_the_record(
    odd: Cook, fitted: GreyBox
) -> None:
    late = fit_kettle(begun(odd, 1800))
    assert late.times == pytest.approx(fitted.times, rel=0.05)
    assert late.rms_c == pytest.approx(fitted.rms_c, rel=0.05)


def test_a_record_without_a_fire_or_without_a_reading_is_refused(odd: Cook) -> None:
    cold = np.full(len(odd.series), Phase.COLD.value)
    with pytest.raises(ValueError, match="no fire was lit"):
        fit_kettle(replace(odd, series=replace(odd.series, phase=cold)))
    blind = np.full(len(odd.series), np.nan)
    with pytest.raises(ValueError, match="never read"):
        fit_kettle(replace(odd, series=replace(odd.series, pit_c=blind)))


def test_fit_is_the_same_each_time(odd: Cook, fitted: GreyBox) -> None:
    assert fit_kettle(odd, evaluations=1).times == fit_kettle(odd, evaluations=1).times
    assert len(fitted.simulated_c) == len(odd.series)


def test_a_table_that_begins_hot_is_refused_too(odd: Cook) -> None:
    series = odd.series.part(slice(3000, None))
    late = replace(
        odd,
        series=replace(series, phase=np.full(len(series), ""), time_s=series.time_s - 3000.0),
        inputs=odd.inputs[3000:],
        now_s=odd.now_s[3000:],
        own=False,
    )
    assert np.nanmin(series.pit_c) > 60.0
    with pytest.raises(ValueError, match=r"begins with the pit at .* from the lighting on"):
        fit_kettle(late)


@pytest.mark.parametrize(("rms_c", "doubted"), [(4.9, False), (14.0, True)])
def test_a_model_far_off_the_record_is_not_told_without_doubt(
    fitted: GreyBox, rms_c: float, doubted: bool
) -> None:
    console = Console(record=True, width=200, file=io.StringIO())
    tell_physical(console, "a", replace(fitted, rms_c=rms_c))
    assert ("believe neither figures nor intervals" in console.export_text()) is doubted
