"""Diffusion and recrystallisation kinetics against textbook values (check rows R1 to R4)."""

import numpy as np
import pytest

from models import diffusion

# R1: Fujikawa, Hirano & Fukushima 1978; Du et al., Mater. Sci. Eng. A 363 (2003) 140 (from memory).
SILICON = [
    ("fujikawa_1978", [8.901e-13, 1.4776e-12, 1.8267e-12], [12.66, 16.31, 18.13]),
    ("du_2003", [8.213e-13, 1.2729e-12, 1.5292e-12], [12.16, 15.14, 16.59]),
]


@pytest.mark.parametrize(("source", "rates", "lengths_um"), SILICON)
def test_silicon_in_aluminium(source, rates, lengths_um):
    rate = diffusion.diffusivity([577.0, 600.0, 610.0], diffusion.SILICON_IN_ALUMINIUM[source])
    np.testing.assert_allclose(rate, rates, rtol=1e-3)
    np.testing.assert_allclose(1e6 * diffusion.diffusion_length(rate, 180.0), lengths_um, rtol=1e-3)


def test_brazing_hotter_speeds_silicon_up():
    # R1: D(600)/D(577) at 136 kJ/mol; both functions must agree.
    rate = diffusion.diffusivity([577.0, 600.0], diffusion.SILICON_IN_ALUMINIUM["fujikawa_1978"])
    assert rate[1] / rate[0] == pytest.approx(1.660, abs=1e-3)
    assert diffusion.rate_ratio(577.0, 600.0, 136_000.0) == pytest.approx(rate[1] / rate[0], rel=1e-12)


@pytest.mark.parametrize(("temperature", "hours"), [(900, 29.31), (950, 15.76), (1000, 8.894), (1050, 5.242)])
def test_carburising_example(temperature, hours):
    # R2: Callister & Rethwisch, Design Example 5.1 (published, in part from memory); the book reads z from a table and prints 29.6 ... 5.3.
    law = diffusion.Arrhenius(2.3e-5, 148_000.0)
    rate = diffusion.diffusivity(temperature, law, gas_constant=8.31, zero_celsius=273.0)
    seconds = diffusion.time_to_reach(0.75e-3, rate, start=0.2, surface=1.0, reached=0.6)
    assert seconds / 3600 == pytest.approx(hours, rel=1e-3)
    assert diffusion.concentration(0.75e-3, rate, seconds, start=0.2, surface=1.0) == pytest.approx(0.6, rel=1e-10)


def test_scaled_depth_of_the_carburising_example():
    # R2, as above.
    assert diffusion.scaled_depth(0.2, 1.0, 0.6) == pytest.approx(0.47694, abs=1e-5)


def test_silicon_profile_after_a_braze():
    # R2 with R1: 600 degC, 3 min, at 5, 10 and 20 um (partly from memory).
    rate = diffusion.diffusivity(600.0, diffusion.SILICON_IN_ALUMINIUM["fujikawa_1978"])
    share = diffusion.penetration(np.array([5e-6, 10e-6, 20e-6]), rate, 180.0)
    np.testing.assert_allclose(share, [0.8284, 0.6646, 0.3859], atol=1e-4)


# R3: Zener & Hollomon 1944 (from memory).
@pytest.mark.parametrize(
    ("temperature", "rate", "expected"), [(25.0, 6.6e-4, 55.606), (250.0, 6.6e-4, 28.541), (400.0, 1.0, 27.873)]
)
def test_temperature_compensated_strain_rate(temperature, rate, expected):
    assert diffusion.log_zener_hollomon(rate, temperature, 156_000.0) == pytest.approx(expected, abs=1e-3)


def test_time_to_half_falls_with_temperature():
    # R3: 300 to 350 degC at 200 kJ/mol (from memory).
    assert diffusion.rate_ratio(300.0, 350.0, 200_000.0) == pytest.approx(29.005, abs=1e-3)


def test_recrystallised_share():
    # R4: Avrami; Humphreys & Hatherly (from memory).
    time = np.array([50.0, 100.0, 150.0])
    share = diffusion.recrystallised_share(time, 0.01, 2.0)
    np.testing.assert_allclose(share, [0.22120, 0.63212, 0.89460], atol=1e-5)
    slope, intercept = np.polyfit(np.log(time), np.log(-np.log1p(-share)), 1)
    assert slope == pytest.approx(2.0, abs=1e-9)
    assert intercept == pytest.approx(-9.21034, abs=1e-5)


@pytest.mark.parametrize("exponent", [0.7, 1.0, 2.0, 3.5])
def test_one_time_constant_leaves_one_over_e(exponent):
    # R4 (from memory).
    assert diffusion.recrystallised_share(100.0, 0.01, exponent) == pytest.approx(1 - np.exp(-1), rel=1e-12)


def test_rate_from_time_to_half():
    # R4 (from memory).
    rate = diffusion.avrami_rate(60.0, 2.0)
    assert rate == pytest.approx(0.0138759, abs=1e-7)
    assert diffusion.recrystallised_share(60.0, rate, 2.0) == pytest.approx(0.5, rel=1e-12)
