"""The event scheme against the same winter stepped by the hour and by an ODE solver, in one run.

All on one core, with the same weather, animals and draws: the event scheme in NumPy and compiled
(extra ``scale``), an hourly loop in NumPy and the same compiled, and SciPy's `solve_ivp` on a few
futures. Figure: million animal-hours a second. Then the growth with animals, members, draws and
hours, and the whole site (40 animals, 51 members, 256 draws, 200 days) on all cores, with the
peak of memory. Reported, never asserted: times are the machine's.

The hourly rivals get all that can be shared (rates once per member and draw) and no random
number an hour: a clock of the hazard runs down, which is the same law.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from importlib.util import find_spec
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from one_winter import HourlyRates
from scipy.integrate import solve_ivp

from riskcast import species
from riskcast.physiology import empty_mass, futures, spendable, winter

SP = species.load("hazel_dormouse")
MEMBERS, DRAWS, DAYS, ANIMALS = 8, 256, 200, 40
SITE_MEMBERS = 51
HAS_NUMBA = find_spec("numba") is not None


def nests(members: int = MEMBERS, days: int = DAYS) -> xr.DataArray:
    rng = np.random.default_rng(0)
    hours = days * 24
    walk = np.cumsum(rng.normal(0, 0.1, (members, hours)), axis=1)
    values = np.clip(5 + walk - walk.mean(axis=1, keepdims=True), -4, 12)
    times = pd.date_range("2020-11-10", periods=hours, freq="h").to_numpy()
    return xr.DataArray(
        values,
        dims=("member", "time"),
        coords={"member": np.arange(members), "time": times},
        attrs={"units": "degC"},
    )


def masses(animals: int = ANIMALS) -> np.ndarray:
    return np.linspace(12, 30, animals)


class Rates(HourlyRates):
    """What every hourly rival shares: rates of one member by draw and hour."""

    def __init__(self, nest: xr.DataArray, member: int) -> None:
        drawn = SP.draw(DRAWS, 0)
        super().__init__(nest.to_numpy()[member], nest.time.to_numpy(), drawn.columns())
        start = masses()[:, np.newaxis]
        self.limit = spendable(start, empty_mass(start, drawn), drawn).T.copy()
        # Enough of them for any winter; (draw, animal, waking)
        rng = np.random.default_rng(1)
        self.targets = rng.standard_exponential((DRAWS, ANIMALS, 160))


def hourly_numpy(rates: Rates) -> np.ndarray:
    """Every draw and animal at once, an hour at a time: the hour the reserve is gone."""
    limit, spent = rates.limit, np.zeros_like(rates.limit)
    count = np.zeros(limit.shape, dtype=np.int64)
    clock, awake = rates.targets[..., 0].copy(), np.zeros_like(limit)
    hours = rates.hazard.shape[1]
    empty = np.full(limit.shape, float(hours))
    draw, animal = np.indices(limit.shape)
    for hour in range(hours):
        asleep = awake <= 0
        clock -= rates.hazard[:, hour, np.newaxis] * asleep
        wakes = asleep & (clock <= 0)
        spent += rates.torpid[:, hour, np.newaxis] * asleep
        awake -= 1
        if wakes.any():
            count += wakes
            spent += rates.cost[:, hour, np.newaxis] * wakes
            length = np.broadcast_to(rates.length[:, hour, np.newaxis], limit.shape)
            awake[wakes] = length[wakes]
            clock[wakes] = rates.targets[draw[wakes], animal[wakes], count[wakes]]
        gone = (spent >= limit) & (empty == hours)
        empty[gone] = hour
    return empty


def hourly_loop(hazard: Any, torpid: Any, cost: Any, length: Any, limit: Any, targets: Any) -> Any:
    """The same for the compiler: one future after another, until its reserve is gone."""
    empty = np.empty(limit.shape)
    hours = hazard.shape[1]
    for draw in range(limit.shape[0]):
        for animal in range(limit.shape[1]):
            spent, awake, count = 0.0, 0.0, 0
            clock, end = targets[draw, animal, 0], float(hours)
            for hour in range(hours):
                if awake > 0:
                    awake -= 1
                    continue
                clock -= hazard[draw, hour]
                spent += torpid[draw, hour]
                if clock <= 0:
                    count += 1
                    spent += cost[draw, hour]
                    awake, clock = length[draw, hour], targets[draw, animal, count]
                if spent >= limit[draw, animal]:
                    end = float(hour)
                    break
            empty[draw, animal] = end
    return empty


def ode(rates: Rates, animals: int) -> float:
    """Bout by bout with `solve_ivp`, hazard and loss integrated together; draw 0."""
    hazard, torpid = rates.hazard[0], rates.torpid[0]
    hours, carried = hazard.size, 0.0
    for animal in range(animals):
        now, spent, count = 0.0, 0.0, 0
        while now < hours and spent < rates.limit[0, animal]:
            target = rates.targets[0, animal, count]

            def slope(t: float, y: np.ndarray) -> list[float]:
                hour = min(int(t), hours - 1)
                return [hazard[hour], torpid[hour]]

            def wakes(t: float, y: np.ndarray, target: float = target) -> float:
                return float(y[0]) - target

            wakes.terminal = True  # type: ignore[attr-defined]
            bout = solve_ivp(slope, (now, hours), [0.0, spent], events=wakes, max_step=1.0)
            hour = min(int(bout.t[-1]), hours - 1)
            spent = float(bout.y[1, -1]) + rates.cost[0, hour]
            now, count = float(bout.t[-1]) + rates.length[0, hour], count + 1
        carried += min(now, hours)
    return carried


def seconds(work: Callable[[], Any]) -> float:
    """Processor time, the best of three: what others do on the machine can only add."""
    taken = []
    for _ in range(3):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def test_event_scheme_against_its_rivals(
    benchmark: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(futures, "_MOST_THREADS", 1)
    nest, start = nests(), masses()
    hours = MEMBERS * ANIMALS * DRAWS * DAYS * 24 / 1e6
    rivals = {
        "hourly, NumPy": hours
        / seconds(lambda: [hourly_numpy(Rates(nest, m)) for m in range(MEMBERS)])
    }
    if HAS_NUMBA:
        import numba

        loop = numba.njit(hourly_loop)

        def compiled() -> None:
            for m in range(MEMBERS):
                r = Rates(nest, m)
                loop(r.hazard, r.torpid, r.cost, r.length, r.limit, r.targets)

        compiled()
        rivals["hourly, compiled"] = hours / seconds(compiled)
    some = Rates(nest, 0)
    began = time.perf_counter()
    carried = ode(some, 2)
    rivals["SciPy solve_ivp, 2 futures"] = carried / (time.perf_counter() - began) / 1e6

    ours = {}
    for engine in ("numpy", "numba") if HAS_NUMBA else ("numpy",):
        run = lambda engine=engine: winter(nest, start, SP, draws=DRAWS, engine=engine)  # noqa: E731
        run()
        ours[engine] = hours / seconds(run)
    benchmark.pedantic(lambda: winter(nest, start, SP, draws=DRAWS, engine="numpy"), rounds=1)
    with capsys.disabled():
        print(f"\nmillion animal-hours a second, one core ({hours:.0f} million each)")
        for name, rate in rivals.items():
            print(f"  {name:28s} {rate:10.3f}")
        for engine, rate in ours.items():
            rival = "hourly, NumPy" if engine == "numpy" else "hourly, compiled"
            print(f"  events, {engine:20s} {rate:10.1f}   {rate / rivals[rival]:.1f} x {rival}")
    benchmark.extra_info |= {f"rival: {name}": rate for name, rate in rivals.items()}
    benchmark.extra_info |= {f"events: {name}": rate for name, rate in ours.items()}


def test_how_time_and_memory_grow(capsys: pytest.CaptureFixture[str]) -> None:
    base = {"animals": 20, "members": 8, "draws": 128, "days": 100}

    def cost(size: dict[str, int]) -> tuple[float, float]:
        nest, start = nests(size["members"], size["days"]), masses(size["animals"])
        run = lambda: winter(nest, start, SP, draws=size["draws"], engine="numpy")  # noqa: E731
        taken = seconds(run)
        tracemalloc.start()
        run()
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return taken, peak / 1e6

    one = cost(base)
    with capsys.disabled():
        print(f"\n{base}: {one[0]:.2f} s, peak {one[1]:.0f} MB")
        for name in base:
            more = cost(base | {name: 4 * base[name]})
            print(f"  4 x {name:8s} time x {more[0] / one[0]:.1f}, peak x {more[1] / one[1]:.1f}")


@pytest.mark.parametrize("daily", [False, True])
def test_a_whole_site(capsys: pytest.CaptureFixture[str], daily: bool) -> None:
    nest, start = nests(SITE_MEMBERS), masses()
    lines = []
    for engine in ("numpy", "numba") if HAS_NUMBA and not daily else ("numpy",):
        run = lambda e=engine: winter(nest, start, SP, draws=DRAWS, daily=daily, engine=e)  # noqa: E731
        began = time.perf_counter(), time.process_time()
        run()
        wall, processor = time.perf_counter() - began[0], time.process_time() - began[1]
        tracemalloc.start()
        run()
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        lines.append(
            f"  {engine}{', daily' if daily else ''}: {wall:.1f} s ({processor:.1f} s of"
            f" processor), peak {peak:.0f} MB"
        )
    with capsys.disabled():
        print(
            f"\n{ANIMALS} animals x {SITE_MEMBERS} members x {DRAWS} draws x {DAYS} days, all cores"
        )
        print("\n".join(lines))
