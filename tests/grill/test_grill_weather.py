"""Weather is a function of time: mean, gusts, spectrum, rain, sun, drift."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from scipy.signal import welch

from coalminder.grill import Weather


def winds(weather: Weather, seconds: int = 36_000) -> list[float]:
    return [weather.at(float(second))[1] for second in range(seconds)]


@pytest.mark.parametrize(("mean", "gusts"), [(3.0, 0.25), (6.0, 0.3), (1.0, 0.2)])
def test_wind_has_the_stated_mean_and_turbulence(mean: float, gusts: float) -> None:
    series = winds(Weather(wind_m_per_s=mean, gust_frac=gusts, seed=3))
    assert statistics.fmean(series) == pytest.approx(mean, rel=0.03)
    assert statistics.pstdev(series) == pytest.approx(gusts * mean, rel=0.1)
    assert min(series) >= 0.0


def test_gusts_have_the_kaimal_spectrum() -> None:
    # Kaimal et al. 1972 (from memory): S(n) ~ (1 + 33 n z / u)^(-5/3), z = 10 m. Octaves, since the model's
    # lines are sparse; averaged over seeds; as shares, since the model's variance is fixed.
    mean_wind, spectra = 6.0, []
    for seed in range(60):
        series = np.array(winds(Weather(wind_m_per_s=mean_wind, gust_frac=0.2, seed=seed), 8192))
        hertz, power = welch(series, fs=1.0, nperseg=2048)
        spectra.append(power)
    measured, kaimal = np.mean(spectra, axis=0), (1.0 + 33.0 * hertz * 10.0 / mean_wind) ** (-5.0 / 3.0)
    octaves = [(hertz >= low) & (hertz < 2.0 * low) for low in 0.004 * 2.0 ** np.arange(5)]
    share = [float(np.sum(measured[octave])) for octave in octaves]
    expected = [float(np.sum(kaimal[octave])) for octave in octaves]
    ratios = np.array(share) / sum(share) / (np.array(expected) / sum(expected))
    assert ratios == pytest.approx(np.ones(5), abs=0.2)


def test_same_seed_same_wind_and_other_seed_other_wind() -> None:
    assert winds(Weather(seed=1), 100) == winds(Weather(seed=1), 100)
    assert winds(Weather(seed=1), 100) != winds(Weather(seed=2), 100)


def test_time_may_be_asked_in_any_order() -> None:
    weather = Weather(sun_w_per_m2=800.0)
    assert [weather.at(float(t)) for t in range(50)] == [weather.at(float(t)) for t in reversed(range(50))][
        ::-1
    ]


def test_rain_falls_when_it_should() -> None:
    weather = Weather(rain_mm_per_h=3.6, rain_from_s=100.0, rain_for_s=50.0)
    assert [weather.at(t)[2] for t in (99.0, 100.0, 149.0, 150.0)] == [
        0.0,
        pytest.approx(1e-3),
        pytest.approx(1e-3),
        0.0,
    ]


@pytest.mark.parametrize("cloud", [0.0, 0.3, 0.7])
def test_clouds_take_their_share_of_the_sun(cloud: float) -> None:
    weather = Weather(sun_w_per_m2=800.0, cloud_frac=cloud, seed=1)
    suns = [weather.at(float(t))[3] for t in range(0, 100_000, 10)]
    assert all(0.2 * 800.0 <= sun <= 800.0 + 1e-9 for sun in suns)
    shaded = sum(sun < 0.6 * 800.0 for sun in suns) / len(suns)
    assert shaded == pytest.approx(cloud, abs=0.12)


def test_air_drifts_by_the_hour() -> None:
    weather = Weather(ambient_c=9.0, ambient_drift_c_per_h=-1.5)
    assert weather.at(7200.0)[0] - 273.15 == pytest.approx(6.0)


def test_humidity_agrees_with_the_psychrometric_example() -> None:
    # ASHRAE Fundamentals 2017 ch. 1 example 1 (from memory): 40 °C, 14 % -> W = 0.0065
    assert Weather(ambient_c=40.0, humidity_frac=0.14).at(0.0)[4] == pytest.approx(0.0065, abs=0.0002)
