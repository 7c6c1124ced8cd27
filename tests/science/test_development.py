"""Development and increase against the published record.

The days and rates of the tests are the papers' own, or follow from the papers' constants by the
arithmetic shown. Left out as outliers, because they cannot be reconciled with four other studies (a line
through their 15 and 30 degC values implies a threshold near 4 degC): the 15 degC days of Praslicka and
Huszar 2004 (16.23 d) and of the IOBC abstract on cucumber, soy and bean (15.28 d). Left out as another
quantity: Farazmand 2020 (days without the egg). Left out of the medians as a slow host: Riahi et al.
2013 on peach, whose line is not fitted below about 18 degC.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from alertd.catalog.species import CURVE_PARAMETERS, CurveForm, load_species
from alertd.science.development import (
    briere,
    curve_rate,
    development_rate,
    doubling_time,
    intrinsic_rate,
    lactin,
    linear,
    sharpe_schoolfield,
)
from alertd.units import degree_days_c_to_f, fahrenheit_to_celsius

SPECIES = tuple(load_species())
CAREY = (11.74, 108.6)  # Carey and Bradley 1982, Acarologia 23:333-345, egg to adult on cotton
BOUNFOUR = (10.32, 148.7)  # Bounfour and Tanigoshi 2001, Ann. Entomol. Soc. Am. 94:400-404
HERBERT = (10.0, 144.5)  # Herbert 1981, Can. Entomol. 113:371-378
BAYU = (11.63, 127.81)  # Bayu et al. 2017, Exp. Appl. Acarol., constant temperatures
RIAHI = (13.79, 136.43)  # Riahi et al. 2013, J. Agr. Sci. Tech. 15:661-672, peach
LINES = (CAREY, BOUNFOUR, HERBERT, BAYU)

#: Measured days from egg to adult at constant temperature, accepted tables.
MEASURED_D: dict[float, tuple[float, ...]] = {
    15.0: (28.3, 30.6, 34.0),  # Herbert 1981 female; pear, two varieties (eajbsz.journals.ekb.eg 13876)
    18.0: (19.0,),  # Herbert 1981 female: 152.3 / 8
    21.0: (12.7, 14.0),  # Herbert 1981 female: 139.8 / 11; Kansas State University Extension (70 degF)
    25.0: (9.0,),  # Ameen and Hassan, Zanco J., cucumber
    29.4: (7.0,),  # Kansas State University Extension (85 degF)
    30.0: (6.93, 6.01),  # Praslicka and Huszar 2004, Plant Protect. Sci. 40:141-144; IOBC abstract
}


def accepted_days(temperature_c: float) -> np.ndarray:
    """Every accepted duration at a temperature: the published lines and the measurements."""
    lines = [constant / (temperature_c - lower) for lower, constant in LINES]
    return np.array([*lines, *MEASURED_D.get(temperature_c, ())])


@pytest.mark.parametrize(
    "temperature_c", [15.0, 16.0, 17.0, 18.0, 19.0, 20.0, 21.0, 22.0, 23.0, 24.0, 25.0, 26.0, 27.0, 28.0,
                      29.0, 29.4, 30.0, 31.0, 32.0]
)  # fmt: skip
def test_twospotted_development_lies_in_the_accepted_spread_and_near_its_median(temperature_c: float) -> None:
    days = 1.0 / float(development_rate(temperature_c, "twospotted"))
    accepted = accepted_days(temperature_c)
    assert accepted.min() <= days <= accepted.max()
    assert days == pytest.approx(np.median(accepted), rel=0.15)


def test_between_the_measured_temperatures_too_development_is_near_the_median_of_the_lines() -> None:
    # every tenth of a degree; the outliers named at the top are left out, as in the test above
    for temperature_c in np.linspace(15.0, 32.0, 171):
        days = 1.0 / float(development_rate(temperature_c, "twospotted"))
        lines = np.array([constant / (temperature_c - lower) for lower, constant in LINES])
        assert lines.min() <= days <= lines.max(), temperature_c
        assert days == pytest.approx(np.median(lines), rel=0.15), temperature_c


def test_the_outliers_stay_outliers() -> None:
    # Praslicka and Huszar 2004 at 15 degC: 16.23 d, against 37.9 d by the line of Bayu et al. 2017.
    assert 1.0 / float(linear(15.0, *BAYU)) == pytest.approx(37.9, abs=0.1)
    assert 1.0 / float(development_rate(15.0, "twospotted")) > 1.7 * 16.23


@pytest.mark.parametrize(
    ("line", "temperature_c", "days"),
    [
        (CAREY, 25.0, 8.19),
        ((11.74, 120.5), 25.0, 9.09),  # Carey and Bradley 1982, generation
        (HERBERT, 15.0, 28.9),
        (HERBERT, 18.0, 18.06),
        (BOUNFOUR, 20.0, 15.36),
        (BAYU, 30.0, 6.96),
        (BAYU, 21.1, 13.5),
        (BAYU, 29.44, 7.18),
        (RIAHI, 25.0, 12.2),
        ((11.89, 140.33), 30.0, 7.75),  # T. turkestani: Karami-Jamour and Shishehbor 2012, Acarologia 52
        ((11.89, 140.33), 15.0, 45.1),
        ((7.4, 154.6), 15.0, 20.3),  # winter eggs of Panonychus ulmi, Broufas: half hatched
        ((7.4, 154.6), 25.0, 8.8),
        ((7.4, 154.6), 10.0, 59.5),
        ((8.63, 150.69), 20.0, 13.25),  # Bayu et al. 2017, line of the alternating temperatures
        ((10.0, 169.8), 20.0, 17.0),  # Herbert 1981, generation
    ],
)
def test_the_line_gives_the_days_worked_from_published_constants(
    line: tuple[float, float], temperature_c: float, days: float
) -> None:
    assert 1.0 / float(linear(temperature_c, *line)) == pytest.approx(days, rel=0.01)


@pytest.mark.parametrize(
    ("line", "temperature_c", "measured_d", "off"),
    [
        (HERBERT, 15.0, 28.26, 0.03),  # Herbert 1981 female, observed
        (HERBERT, 18.0, 19.04, 0.06),
        (BAYU, 30.0, 6.93, 0.01),  # Praslicka and Huszar 2004
        ((11.89, 140.33), 30.0, 7.73, 0.01),  # T. turkestani on cucumber, observed
        ((11.89, 140.33), 15.0, 50.11, 0.11),
        (BAYU, 21.1, 14.0, 0.04),  # Kansas State University Extension, 70 degF
        (BAYU, 29.44, 7.0, 0.03),  # 85 degF
        ((7.4, 154.6), 15.0, 22.0, 0.09),  # Broufas, observed half hatch
        ((7.4, 154.6), 25.0, 8.1, 0.10),
    ],
)
def test_the_line_comes_as_near_to_the_measured_days_as_stated(
    line: tuple[float, float], temperature_c: float, measured_d: float, off: float
) -> None:
    assert 1.0 / float(linear(temperature_c, *line)) == pytest.approx(measured_d, rel=off)


@pytest.mark.parametrize(
    ("line", "intercept", "slope"),
    [
        (CAREY, -0.108103, 0.009208103),
        (BOUNFOUR, -0.069401, 0.006724950),
        (HERBERT, -0.069204, 0.006920415),
    ],
)
def test_the_published_regression_is_the_same_line(
    line: tuple[float, float], intercept: float, slope: float
) -> None:
    # Jarosik et al. 2011, J. Econ. Entomol., doi 10.1603/EC11247: rate = intercept + slope T.
    assert float(linear(20.0, *line)) == pytest.approx(intercept + slope * 20.0, rel=0.01)


def test_twelve_warm_and_twelve_cool_hours_are_slower_by_the_constant_line_than_measured() -> None:
    # Bayu et al. 2017: constant line 0.0655/d at 25/15 degC, alternating line 13.25 d at the mean of 20.
    alternating = float(np.mean(linear([25.0, 15.0], *BAYU)))
    assert alternating == pytest.approx(0.0655, abs=0.0001)
    assert 1.0 / alternating == pytest.approx(15.3, rel=0.01)


@pytest.mark.parametrize(
    ("source", "stages", "total"),
    [
        # Degree-days per stage, PRATIQUE thermal database (Buckley et al. 2017).
        ("Carey and Bradley 1982", (46.1, 21.9, 19.0, 21.5), 108.6),
        ("Bounfour and Tanigoshi 2001", (52.4, 14.8 + 12.8, 16.3 + 15.6, 36.9), 148.7),
        ("Herbert 1981", (56.0, 30.5, 26.0, 32.0), 144.5),
        ("Herbert 1981, Panonychus ulmi", (69.4, 24.95, 20.85, 25.0), 140.2),
    ],
)
def test_stage_constants_add_up_to_the_published_total(
    source: str, stages: tuple[float, ...], total: float
) -> None:
    assert sum(stages) == pytest.approx(total, rel=0.002), source


def test_the_catalogs_stages_are_the_published_ones() -> None:
    twospotted, european_red = load_species()["twospotted"].stages, load_species()["european_red"].stages
    assert twospotted.egg_to_adult_c_d == pytest.approx(108.6, abs=0.15)  # Carey and Bradley 1982
    assert twospotted.egg_to_adult_c_d + float(twospotted.preoviposition) == pytest.approx(120.5, abs=0.15)
    assert european_red.egg_to_adult_c_d == pytest.approx(140.2, abs=0.05)  # Herbert 1981
    assert european_red.egg_to_adult_c_d + float(european_red.preoviposition) == pytest.approx(
        157.1, abs=0.05
    )


@pytest.mark.parametrize("key", ["spruce", "southern_red", "honeylocust", "oak", "boxwood"])
def test_provisional_stages_add_up_to_the_provisional_total(key: str) -> None:
    species = load_species()[key]
    assert species.stages.egg_to_adult_c_d == pytest.approx(float(species.egg_to_adult), rel=0.01)


def test_degree_days_in_fahrenheit() -> None:
    # Carey and Bradley 1982 and T. pacificus in both scales: 108.6 = 195.5, 11.74 = 53.13, 121 = 217.8.
    assert degree_days_c_to_f(108.6) == pytest.approx(195.5, abs=0.05)
    assert fahrenheit_to_celsius(53.13) == pytest.approx(11.74, abs=0.005)
    assert degree_days_c_to_f(121.0) == pytest.approx(217.8, abs=0.05)


@pytest.mark.parametrize(("temperature_c", "days"), [(30.0, 6.68), (35.0, 6.37), (20.0, 14.45)])
def test_briere_reproduces_its_worked_values(temperature_c: float, days: float) -> None:
    # Worked from the catalog's own fit, a = 7.86e-5, 10.23 and 40.3 degC.
    assert 1.0 / float(briere(temperature_c, 7.86e-5, 10.23, 40.3)) == pytest.approx(days, rel=0.002)
    assert 1.0 / float(development_rate(temperature_c, "twospotted")) == pytest.approx(days, rel=0.002)


def test_briere_is_zero_outside_and_best_where_its_derivative_vanishes() -> None:
    assert briere([-20.0, 10.0, 41.0], 7.86e-5, 10.23, 40.3).tolist() == [0.0, 0.0, 0.0]
    temperature_c = np.linspace(10.0, 41.0, 31001)
    assert temperature_c[np.argmax(briere(temperature_c, 7.86e-5, 10.23, 40.3))] == pytest.approx(
        33.45, abs=0.1
    )


@pytest.mark.parametrize(
    ("temperature_c", "days"),
    [(15.0, 32.6), (18.0, 18.6), (20.0, 14.4), (25.0, 9.2), (30.0, 6.8), (35.0, 6.2)],
)
def test_lactin_reproduces_its_worked_values(temperature_c: float, days: float) -> None:
    # The second fit to the same twenty points; zeros near 10.93 and 40.0 degC.
    rate = float(lactin(temperature_c, 0.00689738, 44.3215, 2.49052, -1.0782973))
    assert 1.0 / rate == pytest.approx(days, abs=0.06)
    assert float(lactin(10.9, 0.00689738, 44.3215, 2.49052, -1.0782973)) == 0.0
    assert float(lactin(40.1, 0.00689738, 44.3215, 2.49052, -1.0782973)) == 0.0
    assert float(lactin(60.0, 0.00689738, 44.3215, 2.49052, -1.0782973)) == 0.0


@pytest.mark.parametrize(
    ("temperature_c", "rate", "measured_d"),
    [(30.0, 0.1646, 6.21), (20.0, 0.0834, None), (35.0, 0.1200, 7.43)],
)
def test_sharpe_schoolfield_reproduces_the_published_fit(
    temperature_c: float, rate: float, measured_d: float | None
) -> None:
    # Fit to Farazmand 2020, Int. J. Acarol. 46(6), as published with a trait data set.
    fitted = float(sharpe_schoolfield(temperature_c, 0.05659, 15.0, 0.5638, 4.683, 31.467))
    assert fitted == pytest.approx(rate, abs=0.0002)
    if measured_d is not None:
        assert 1.0 / fitted == pytest.approx(measured_d, rel=0.13)


def test_sharpe_schoolfield_peaks_at_its_optimum() -> None:
    temperature_c = np.linspace(10.0, 45.0, 35001)
    rate = sharpe_schoolfield(temperature_c, 0.05659, 15.0, 0.5638, 4.683, 31.467)
    assert temperature_c[np.argmax(rate)] == pytest.approx(31.47, abs=0.01)
    assert rate.max() == pytest.approx(0.1699, abs=0.0002)


def sine_day(low_c: float, high_c: float) -> np.ndarray:
    phase = (np.arange(2400) + 0.5) / 2400 * 2 * np.pi
    return (low_c + high_c) / 2 + (high_c - low_c) / 2 * np.sin(phase)


@pytest.mark.parametrize(
    ("low_c", "high_c", "mean_of_rates", "rate_of_mean"),
    [(5.0, 20.0, 0.0240, 0.0118), (24.0, 40.0, 0.1237, 0.1579)],
)
def test_the_rate_of_the_mean_is_not_the_mean_of_the_rates(
    low_c: float, high_c: float, mean_of_rates: float, rate_of_mean: float
) -> None:
    # Direction as Vangansbeke et al. 2015, PLoS ONE e0124898, and Bayu et al. 2017 measured.
    assert development_rate(sine_day(low_c, high_c), "twospotted").mean() == pytest.approx(
        mean_of_rates, abs=2e-4
    )
    assert float(development_rate((low_c + high_c) / 2, "twospotted")) == pytest.approx(
        rate_of_mean, abs=2e-4
    )


def test_a_week_of_hot_days_is_four_fifths_of_a_generation() -> None:
    # Bayu et al. 2017 constants: seven days of 20/35 degC give 111 degree-days above 11.63.
    degree_days = 7.0 * np.maximum(sine_day(20.0, 35.0) - 11.63, 0.0).mean()
    assert degree_days == pytest.approx(111.0, abs=0.3)
    assert degree_days / float(load_species()["twospotted"].egg_to_egg) == pytest.approx(0.79, abs=0.005)


@pytest.mark.parametrize(
    ("temperature_c", "published"),
    [
        (15.0, (0.069, 0.080, 0.104, 0.072, 0.033)),
        # Herbert 1981; Bounfour and Tanigoshi 2001; T. kanzawai and T. merganser, Exp. Appl. Acarol.
        # 54:1-19, 2011; T. turkestani on cucumber, Karami-Jamour and Shishehbor 2012.
        (18.0, (0.156, 0.069)),  # Herbert 1981 at 18 degC, and his 15 degC as the lower bound
        (20.0, (0.18, 0.156)),  # T. turkestani on bean (ijpps.ut.ac.ir 21531); Herbert at 18 degC
        (25.0, (0.29, 0.108, 0.239)),  # T. turkestani on bean; Riahi et al. 2013 range; cucumber
        (27.0, (0.213, 0.129, 0.269, 0.29)),  # Riahi 2013; six bean cultivars 2014; turkestani at 25
        (30.0, (0.321, 0.36, 0.272, 0.399)),  # Bounfour 2001; turkestani bean, cucumber; kanzawai
        (35.0, (0.348, 0.411, -0.1)),  # kanzawai, merganser; T. pacificus negative at constant 34 degC
    ],
)
def test_twospotted_increase_lies_in_the_spread_of_the_published_tables(
    temperature_c: float, published: tuple[float, ...]
) -> None:
    rate = float(intrinsic_rate(temperature_c, "twospotted"))
    assert min(published) <= rate <= max(published)


@pytest.mark.parametrize(
    ("net_rate", "generation_d", "printed"), [(20.8, 44.0, 0.069), (38.4, 23.4, 0.156), (58.1, 10.9, 0.372)]
)
def test_herberts_printed_rates_follow_from_his_life_tables(
    net_rate: float, generation_d: float, printed: float
) -> None:
    # Herbert 1981: ln(R0) / T. The 0.372 at 21 degC stays out of the catalog: a generation of 10.9 d is
    # shorter than his own 12.7 d from egg to adult.
    assert np.log(net_rate) / generation_d == pytest.approx(printed, abs=0.001)


@pytest.mark.parametrize(
    ("rate", "days"),
    [
        (0.321, 2.16),  # Bounfour and Tanigoshi 2001 at 30 degC
        (0.080, 8.66),  # and at 15 degC
        (0.069, 10.05),  # Herbert 1981
        (0.272, 2.54),  # T. turkestani on cucumber, published doubling time
        (0.399, 1.74),  # T. kanzawai at 30 degC
        (0.213, 3.25),  # Riahi et al. 2013 at 27 degC
    ],
)
def test_doubling_times_of_published_rates(rate: float, days: float) -> None:
    assert float(doubling_time(rate)) == pytest.approx(days, abs=0.01)


def test_growth_over_days_of_published_rates() -> None:
    # Bounfour and Tanigoshi 2001: 10 d at 0.321 make 24.8-fold, 14 d 89.5-fold; 10 d at 0.080 2.2-fold.
    assert np.exp(10 * 0.321) == pytest.approx(24.8, abs=0.1)
    assert np.exp(14 * 0.321) == pytest.approx(89.5, abs=0.1)
    assert np.exp(10 * 0.080) == pytest.approx(2.2, abs=0.05)


def test_no_growth_never_doubles_and_unknown_stays_unknown() -> None:
    assert np.isinf(doubling_time([0.0, -0.1])).all()
    assert np.isnan(doubling_time(np.nan))


def test_spruce_mites_slow_down_where_twospotted_mites_speed_up() -> None:
    # Boyne and Hain 1983, Can. Entomol. 115:93-105: optimum 26 degC.
    temperature_c = np.linspace(5.0, 40.0, 3501)
    assert temperature_c[np.argmax(development_rate(temperature_c, "spruce"))] == pytest.approx(26.0, abs=0.2)
    assert intrinsic_rate(32.0, "spruce") == 0.0
    assert intrinsic_rate(32.0, "twospotted") > 0.3


def test_spruce_generation_takes_two_to_three_weeks_in_spring_warmth() -> None:
    # University of Massachusetts and Utah State University extension: 2-3 weeks, as little as two.
    assert 13.0 <= 1.1 / float(development_rate(20.0, "spruce")) <= 21.0


def test_honeylocust_mites_take_four_days_in_summer_and_eleven_in_cool_weather() -> None:
    # Utah State University Extension; summer read as 27 degC, cool as 17-18 degC.
    assert 1.0 / float(development_rate(27.0, "honeylocust")) == pytest.approx(4.0, abs=0.1)
    assert 1.0 / float(development_rate(18.0, "honeylocust")) == pytest.approx(11.0, abs=0.6)


def test_boxwood_mites_take_18_to_21_days_from_egg_to_egg() -> None:
    # Rutgers Cooperative Extension; at 20 degC by assumption.
    egg_to_egg = load_species()["boxwood"].egg_to_egg
    assert 18.0 <= 1.0 / float(linear(20.0, 10.0, float(egg_to_egg))) <= 21.0


@pytest.mark.parametrize("species", SPECIES)
def test_outside_its_limits_a_species_neither_develops_nor_grows(species: str) -> None:
    outside_c = [-30.0, 0.0, float(load_species()[species].upper_c) + 1.0, 55.0]
    assert development_rate(outside_c, species).tolist() == [0.0] * 4
    assert intrinsic_rate(outside_c, species).tolist() == [0.0] * 4


def test_an_unknown_species_names_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"'wolf'.*twospotted"):
        development_rate(20.0, "wolf")


def test_impossible_parameters_are_refused() -> None:
    with pytest.raises(ValueError, match="constant_c_d"):
        linear(20.0, 10.0, 0.0)
    with pytest.raises(ValueError, match="deactivation_ev"):
        sharpe_schoolfield(20.0, 0.05, 15.0, 0.6, 0.5, 31.0)


def test_every_form_of_the_catalog_can_be_evaluated() -> None:
    assert set(CURVE_PARAMETERS) == set(CurveForm)
    assert float(curve_rate(20.0, load_species()["twospotted"].curve)) > 0.0


temperatures_c = st.floats(-40.0, 60.0)


@given(st.lists(temperatures_c | st.just(float("nan")), min_size=1, max_size=12), st.sampled_from(SPECIES))
def test_rates_are_never_negative_and_unknown_exactly_where_the_temperature_is(
    temperature_c: list[float], species: str
) -> None:
    unknown = np.isnan(temperature_c)
    for rate in (development_rate(temperature_c, species), intrinsic_rate(temperature_c, species)):
        assert (np.isnan(rate) == unknown).all()
        assert (rate[~unknown] >= 0.0).all()
        assert (rate[~unknown] <= 0.5).all()


@given(st.permutations([4.0, 12.0, 19.5, 27.0, 31.0, 38.0]), st.sampled_from(SPECIES))
def test_the_order_of_the_hours_does_not_matter(temperature_c: list[float], species: str) -> None:
    order = np.argsort(temperature_c)
    given_c = np.array(temperature_c)
    assert (development_rate(given_c[order], species) == development_rate(given_c, species)[order]).all()


@given(st.floats(-20.0, 26.0), st.floats(0.0, 5.0), st.sampled_from(SPECIES))
def test_below_its_optimum_more_heat_never_slows_a_species(
    temperature_c: float, warmer_c: float, species: str
) -> None:
    optimum_c = min(26.0, float(load_species()[species].optimum_c))
    higher_c = min(temperature_c + warmer_c, optimum_c)
    lower_c = min(temperature_c, higher_c)
    assert development_rate(higher_c, species) >= development_rate(lower_c, species)
