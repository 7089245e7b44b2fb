"""What torpor and waking cost: rival lines on animals left out, and what each would change.

Data and reading as in `test_respirometry`. Nothing here is independent evidence; what is printed
by others (Csorba 2003, digest: the calibration; Ruf & Geiser 2015, transcription; Juškaitis 2001,
digest; Giroud et al. 2023, abstract) enters in the last table only.

Two stated misses of the species file, worked out:

1. **Waking below 2 °C costs about twice the shipped line**, which was read at 2-13 °C. On animals
   left out, holding the line below 2 °C is better by 0.099 ± 0.039 of gamma deviance a waking, a
   line that rises again by 0.10 ± 0.02 per °C by 0.155 ± 0.057. Nine wakings of six animals, all in
   boxes above ground. It touches no check at 5 °C, so the multiplier stays; in nine real winters
   under litter it would add 0.2 % to the spending at most (`test_nine_winters`).
2. **The shipped torpid rate is 18 to 27 % low at 6-12 °C** (0.052 ± 0.018 mL g-1 h-1), and a rate
   read against momentary air + 0.7 °C comes out higher at 0 °C and flatter. The second is mostly
   the box lagging behind the air: against the 24 h mean, as the hazard is read, all of it lies
   within about two errors of the file; and no own line predicts animals left out better by two.

With each set the multiplier is refitted to the same loss at 5 °C (29 % in 108 days):

=============================  =====  =======  ==============  ==========  ================
set                            φ      bout, h  loss, % a day   10 vs 3 °C  waking at -5 °C
=============================  =====  =======  ==============  ==========  ================
published                             218      0.19-0.25       1.2-4
as shipped                     0.62   224      0.172-0.200     2.3         7.6 mL/g
waking held below 2 °C         0.62   224      0.175-0.200     2.3         10.8
waking rising below 2 °C       0.62   224      0.182-0.200     2.3         21.4
rate as fitted to the nest     0.49   282      0.167-0.196     2.4         7.6
rate as fitted to T24          0.43   321      0.177-0.204     2.4         7.6
rate as fitted to air + 0.7    0.41   342      0.188-0.214     2.4         7.6
hazard as fitted               0.62   284      0.161-0.189     3.3         7.6
=============================  =====  =======  ==============  ==========  ================

Bouts at 0-1 °C (150-320 h wanted), loss at 1-2 °C of animals of 29.8 and 27 g (0.15-0.28 wanted).
So no set does better in every column: the spending at 5 °C is pinned, a dearer sleep means fewer
wakings, and bouts near freezing then come out too long.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from cost_models import (
    COLD_EDGE,
    WAKING_LINES,
    Budget,
    gamma_deviance,
    left_out_rates,
    left_out_wakings,
    mean_difference,
    shipped_budget,
)
from respirometry import (
    BOX_EXCESS_K,
    Fit,
    hazard_rows,
    in_midwinter,
    phases,
    poisson_fit,
    read_hours,
    torpid_rates,
)
from shipped_estimates import steady_torpor

from riskcast import species
from riskcast.physiology import arousal_cost, torpid_rate, torpid_share, winter

pytestmark = pytest.mark.real_data
SP = species.load("hazel_dormouse")
COLD_RISE = 0.098  # per °C below 2 °C, as fitted below
SQUARES = 1e4  # mean squares of rates are told in (0.01 mL g-1 h-1)²


@pytest.fixture(scope="module")
def hours(real_data) -> pd.DataFrame:
    if not (real_data / "p21_winter_2009_10.csv").is_file():
        pytest.skip("the folder of real files holds no respirometry")
    return read_hours(real_data)


# --- waking --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def wakings(hours) -> pd.DataFrame:
    table = phases(hours)
    return table[~table.left & (table.unmeasured == 0)]


@pytest.fixture(scope="module")
def deviance(wakings) -> dict[str, np.ndarray]:
    return {
        name: gamma_deviance(wakings.cost, left_out_wakings(wakings, name, SP))
        for name in WAKING_LINES
    }


def gain(wakings, deviance, name, base="as shipped, own level"):
    return mean_difference(deviance[base] - deviance[name], wakings.animal)


def test_print_the_waking_lines(wakings, deviance):
    cold = (wakings.temperature < COLD_EDGE).to_numpy()
    assert (len(wakings), cold.sum(), wakings.animal[cold].nunique()) == (49, 9, 6)
    print("\ngamma deviance a waking, animals left out; below 2 °C; gain on as shipped ± SE")
    for name, one in deviance.items():
        better = gain(wakings, deviance, name)
        print(
            f"{name:40s} {one.mean():.3f} {one[cold].mean():.3f}"
            f" {better.value:+.3f} ± {better.se:.3f}"
        )
    assert set(deviance) == set(WAKING_LINES)


@pytest.mark.parametrize(
    ("name", "better"),
    [
        ("as shipped, held below 2 °C", 0.099),
        ("own line, held below 2 °C", 0.088),
        ("own line, rising below 2 °C", 0.155),
        ("own line, step at 2 °C", 0.152),
    ],
)
def test_a_line_held_or_rising_below_2_degrees_is_clearly_better(wakings, deviance, name, better):
    """The miss: each beats the shipped shape on animals left out, by more than two errors."""
    found = gain(wakings, deviance, name)
    assert found.value == pytest.approx(better, abs=0.002)
    assert found.value > 2 * found.se
    untouched = gain(wakings, deviance, "as shipped, held below 2 °C, untouched")
    assert untouched.value > 2 * untouched.se


def test_a_straight_line_through_all_is_not(wakings, deviance):
    for name in ("level only", "own line"):
        found = gain(wakings, deviance, name)
        assert found.value < 2 * found.se


def test_above_2_degrees_nothing_beats_the_shipped_line(wakings, deviance):
    mild = (wakings.temperature >= COLD_EDGE).to_numpy()
    animal = wakings.animal[mild]
    for name in WAKING_LINES:
        better = mean_difference(
            deviance["as shipped, untouched"][mild] - deviance[name][mild], animal
        )
        assert better.value <= 2 * better.se


def test_the_rise_below_2_degrees(wakings):
    t = wakings.temperature.to_numpy()
    x = np.column_stack(
        [np.ones(t.size), np.maximum(t, COLD_EDGE) - 5.0, np.maximum(COLD_EDGE - t, 0.0)]
    )
    fit = poisson_fit(x, wakings.cost.to_numpy(), wakings.animal)
    rise = fit.estimate(2, 9)
    assert rise.value == pytest.approx(COLD_RISE, abs=0.001)
    assert rise.value > 5 * rise.se


def test_warming_and_cooling_by_the_hour(hours):
    """The file's 40 min and 5 h come from one animal (Walhovd & Jensen 1976, digest). Here, by the
    hour and by the observers' states: warming 0.8 h; and a miss, torpid again 2.5 h after the last
    warm hour. Their state need not wait until the body is as cold as the nest."""
    table = phases(hours)
    warming = mean_difference(table.warming_h, table.animal)
    cooling = mean_difference(table.cooling_h, table.animal)
    print(
        f"\nwarming {warming.value:.2f} ± {warming.se:.2f} h, cooling {cooling.value:.2f} ±", end=""
    )
    print(f" {cooling.se:.2f} h")
    assert warming.value == pytest.approx(SP.arousal.warming_length, abs=2 * warming.se)
    assert 0.5 <= warming.value <= 1.2
    assert cooling.value + 2 * cooling.se < SP.arousal.cooling_length
    assert cooling.value == pytest.approx(2.45, abs=0.05)


# --- torpor --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def steady(hours) -> pd.DataFrame:
    table = steady_torpor(hours).dropna(subset="air")
    return table.assign(momentary=table.air + BOX_EXCESS_K)


def fit_on(steady: pd.DataFrame, column: str) -> Fit:
    return torpid_rates(steady[column].to_numpy(), steady.rate.to_numpy(), steady.animal)


# Level, Q10 and cold slope with their errors, by what the rate is read against.
READINGS = {
    "nest": ((0.0883, 0.0072), (2.581, 0.357), (0.0427, 0.0045)),
    "t24": ((0.1007, 0.0101), (2.236, 0.363), (0.0346, 0.0064)),
    "momentary": ((0.1118, 0.0092), (1.910, 0.234), (0.0261, 0.0040)),
}


@pytest.mark.parametrize("column", READINGS)
def test_rate_by_what_it_is_read_against(steady, column):
    fit = fit_on(steady, column)
    shipped = (SP.torpor.rate_at_zero, SP.torpor.q10, SP.torpor.cold_slope)
    away = []
    for index, (value, error) in enumerate(READINGS[column]):
        estimate = fit.estimate(index, len(steady))
        assert estimate.value == pytest.approx(value, rel=0.005)
        assert estimate.se == pytest.approx(error, rel=0.02)
        away.append(abs(estimate.value - shipped[index]) / estimate.se)
    print(f"\nagainst {column}: errors away from the file {np.round(away, 1)}")
    # 2.1 for the cold slope against T24; level 2.9 and cold slope 5.5 against momentary air.
    assert max(away) < 2.2 if column != "momentary" else max(away) > 5


def test_the_box_lags_so_momentary_air_tells_least(steady):
    """Error of the shipped rate: momentary air is clearly the worst of the three to read it at."""
    rate, animal = steady.rate.to_numpy(), steady.animal.to_numpy()
    squares = {c: (rate - torpid_rate(steady[c], SP)) ** 2 for c in READINGS}
    for better in ("nest", "t24"):
        gained = mean_difference(squares["momentary"] - squares[better], animal)
        print(f"\n{better}: {SQUARES * gained.value:.1f} ± {SQUARES * gained.se:.1f} better")
        assert gained.value > 2 * gained.se


@pytest.mark.parametrize("column", ["nest", "t24"])
@pytest.mark.parametrize("bend", [0.0, 5.0])
def test_no_own_line_predicts_animals_left_out_clearly_better(steady, column, bend):
    """Own level, Q10 and cold slope, also flat up to 5 °C; the shipped numbers untouched."""
    t, rate, animal = (steady[c].to_numpy() for c in (column, "rate", "animal"))
    own = left_out_rates(t, rate, animal, bend=bend)
    gained = mean_difference((rate - torpid_rate(t, SP)) ** 2 - (rate - own) ** 2, animal)
    print(f"\n{column}, bend {bend}: {SQUARES * gained.value:+.1f} ± {SQUARES * gained.se:.1f}")
    assert gained.value <= 2 * gained.se


@pytest.mark.parametrize("column", ["nest", "t24"])
def test_where_the_shipped_rate_misses(steady, column):
    """Mean of measured less shipped: below 0 °C and to 6 °C none, at 6-12 °C about 0.05."""
    t = steady[column]
    for low, high in ((-20, 0), (0, 6), (6, 12)):
        rows = steady[(t > low) & (t <= high)]
        left = rows.rate.to_numpy() - torpid_rate(rows[column], SP)
        miss = mean_difference(left, rows.animal)
        print(f"\n{column} {low}..{high} °C: {miss.value:+.4f} ± {miss.se:.4f}")
        if low < 6:
            assert abs(miss.value) < 2 * miss.se
        else:
            assert miss.value > 2 * miss.se
            assert miss.value == pytest.approx(0.053, abs=0.003)
            assert 0.15 < miss.value / rows.rate.mean() < 0.30


def test_hours_beside_a_waking_do_not_make_the_rate(hours, steady):
    """Steady without the 6 hours after and the 2 before a waking: the same line."""
    awake = hours.state != 0
    by_session = awake.groupby(hours.session)
    beside = awake.copy()
    for lag in (*range(1, 7), -1, -2):
        beside |= by_session.shift(lag, fill_value=False)
    inner = steady[~beside.reindex(steady.index)]
    assert 0.85 * len(steady) < len(inner) < 0.95 * len(steady)
    for index, (value, error) in enumerate(READINGS["nest"]):
        assert fit_on(inner, "nest").coefficients[index] == pytest.approx(value, abs=error)


# --- time ----------------------------------------------------------------------------------------


def test_after_its_first_hours_a_session_has_no_trend(hours):
    """Handling wakes in the first 6 h; after that the hazard neither rises nor falls clearly, nor
    does it from November to March."""
    rows = hazard_rows(hours)
    mid = rows[in_midwinter(rows.time)]
    t = mid.t24.to_numpy()
    base = [np.ones(t.size), np.maximum(t, 0.0) - 5.0, np.maximum(-2.0 - t, 0.0)]
    late = np.column_stack([*base, mid.hours_in_session < 6, mid.hours_in_session >= 24])
    fit = poisson_fit(late, mid.wakes.to_numpy(), mid.animal)
    first, day_two = fit.estimate(3, 64), fit.estimate(4, 64)
    months = (mid.time - pd.Timestamp("2009-11-15")) / pd.Timedelta("30D")
    trend = poisson_fit(
        np.column_stack([*base, months]), mid.wakes.to_numpy(), mid.animal
    ).estimate(3, 64)
    for name, one in (("first 6 h", first), ("after 24 h", day_two), ("a month", trend)):
        print(f"\nln hazard, {name}: {one.value:+.3f} ± {one.se:.3f}")
    assert first.value > 2 * first.se
    assert abs(day_two.value) < 2 * day_two.se
    assert abs(trend.value) < 2 * trend.se


# --- by day, outside winter ----------------------------------------------------------------------


def test_captives_in_april_by_day(hours):
    """Torpid by day (6-18 h) in April: 0.93 below 12 °C of air, 0.49 above. Ours keeps the first,
    and is set to end sooner above (Juškaitis 2005): there captives stay torpid a little longer."""
    day = hours.time.dt.hour
    rows = hours[(hours.time.dt.month == 4) & (day >= 6) & (day < 18) & hours.air.notna()]
    ours = torpid_share(rows.air + BOX_EXCESS_K, rows.mass_g, rows.time.dt.day_of_year, SP)
    table = pd.DataFrame({"torpid": (rows.state == 0).astype(float), "ours": ours})
    by_air = table.groupby(pd.cut(rows.air, [0, 4, 8, 12, 30]), observed=True).mean()
    print("\n", by_air.round(2).to_string())
    np.testing.assert_allclose(by_air.torpid, [0.88, 0.95, 0.89, 0.49], atol=0.005)
    np.testing.assert_allclose(by_air.ours[:3], by_air.torpid[:3], atol=0.06)
    assert by_air.ours.iloc[3] < by_air.torpid.iloc[3]
    assert by_air.ours.iloc[3] == pytest.approx(by_air.torpid.iloc[3], abs=0.2)
    assert table.torpid[rows.air < 12].mean() == pytest.approx(SP.daytime.most, abs=0.005)


# --- what each would change ----------------------------------------------------------------------


def rate_of(r0: float, q10: float, cold: float):
    def rate(degc):
        t = np.asarray(degc, dtype=float)
        return r0 * q10 ** (np.maximum(t, 0) / 10) + cold * np.maximum(-t, 0)

    return rate


def sets() -> dict[str, Budget]:
    shipped = shipped_budget(SP)
    read = {name: rate_of(*(value for value, _ in READINGS[name])) for name in READINGS}

    def held(degc):
        return arousal_cost(np.maximum(degc, COLD_EDGE), SP)

    def rising(degc):
        return held(degc) * np.exp(COLD_RISE * np.maximum(COLD_EDGE - np.asarray(degc), 0.0))

    def raw_hazard(degc):
        return np.exp(-4.352 + 0.183 * (np.clip(degc, 0.0, 10.0) - 5.0))

    return {
        "as shipped": shipped,
        "waking held below 2 °C": replace(shipped, cost=held),
        "waking rising below 2 °C": replace(shipped, cost=rising),
        "rate as fitted to the nest": replace(shipped, rate=read["nest"]),
        "rate as fitted to T24": replace(shipped, rate=read["t24"]),
        "rate as fitted to air + 0.7": replace(shipped, rate=read["momentary"]),
        "hazard as fitted": replace(shipped, hazard=raw_hazard),
    }


TABLE = {
    "as shipped": (0.62, 224, 0.172, 0.200, 2.32, 7.6),
    "waking held below 2 °C": (0.62, 224, 0.175, 0.200, 2.32, 10.8),
    "waking rising below 2 °C": (0.62, 224, 0.182, 0.200, 2.32, 21.4),
    "rate as fitted to the nest": (0.492, 282, 0.167, 0.196, 2.35, 7.6),
    "rate as fitted to T24": (0.433, 321, 0.177, 0.204, 2.37, 7.6),
    "rate as fitted to air + 0.7": (0.406, 342, 0.188, 0.214, 2.38, 7.6),
    "hazard as fitted": (0.62, 284, 0.161, 0.189, 3.26, 7.6),
}


def losses(budget: Budget) -> list[float]:
    """Percent a day, exponential: 29.8 g over 195 days and 27 g over 210, at 1 and 2 °C."""
    return [
        -100 * np.log(1 - budget.loss(mass, degc, days)) / days
        for mass, days in ((29.8, 195), (27.0, 210))
        for degc in (1.0, 2.0)
    ]


@pytest.mark.parametrize("name", TABLE)
def test_what_each_set_would_change(name):
    spending = shipped_budget(SP).hourly(5.0)
    budget = sets()[name].refitted(spending)
    multiplier, bout, least, most, ratio, waking = TABLE[name]
    assert budget.hourly(5.0) == pytest.approx(float(spending), rel=1e-9)
    assert budget.loss(16.9, 5.0, 108) == pytest.approx(0.29, abs=0.003)
    assert budget.multiplier == pytest.approx(multiplier, abs=0.002)
    assert budget.bout_h() == pytest.approx(bout, abs=1.0)
    found = losses(budget)
    assert (min(found), max(found)) == pytest.approx((least, most), abs=0.001)
    assert budget.wakings_a_day(10.0) / budget.wakings_a_day(3.0) == pytest.approx(ratio, abs=0.02)
    assert float(budget.cost(-5.0)) == pytest.approx(waking, abs=0.1)


def test_a_dearer_sleep_makes_bouts_too_long_near_freezing():
    """Read against T24 or momentary air the rate would push bouts past the 320 h we allow."""
    spending = shipped_budget(SP).hourly(5.0)
    kept = {name: budget.refitted(spending).bout_h() for name, budget in sets().items()}
    assert {name for name, bout in kept.items() if not 150 <= bout <= 320} == {
        "rate as fitted to T24",
        "rate as fitted to air + 0.7",
    }


def test_the_closed_form_is_what_the_event_scheme_gives(nest_series):
    """Central values, event scheme against the renewal mean this table is made with."""
    fixed = {
        name.replace(".", "__"): parameter.value
        for name, parameter in SP.parameters.items()
        if isinstance(parameter.value, float)
        and name.partition(".")[0] in ("torpor", "arousal", "reserve")
    }
    central = SP.with_values(**fixed)
    course = winter(nest_series(5.0, days=108), [16.9] * 8, central, season_terms=False, draws=256)
    loss = 1 - float(course.body_mass_g.mean()) / 16.9
    assert loss == pytest.approx(shipped_budget(SP).loss(16.9, 5.0, 108), abs=0.003)
