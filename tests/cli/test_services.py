"""From `riskcast new` to letters with each service, then offline, then with the service gone.

Real commands against services started on this machine that speak the documented shapes
(``tests/support/loopback.py``); their weather is invented. The clock stands still, so that the
season is the same on every day of the year.
"""

from __future__ import annotations

import datetime as dt
import functools
import json
import re
import socket
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import service_faults
import time_machine
from click.testing import Result
from loopback import Services

from riskcast import pipeline
from riskcast.site import OpenMeteo, Site
from riskcast.weather.web import client

Call = Callable[..., Result]

NOW = dt.datetime(2025, 11, 10, 7, 20, tzinfo=dt.UTC)
YEARS = 5
PLACE = ("--latitude", "50.123456", "--longitude", "-4.987654", "--elevation", "123")
SHEET = """\
event_date,box,sex,life_stage,body_mass_g
2025-10-18,1,female,juvenile,12.5
2025-10-18,2,male,adult,19.0
"""
PEOPLE = """
[[recipients]]
name = "Monitor"
address = "monitor@example.org"
role = "monitor"
[[recipients]]
name = "Rehabilitator"
address = "rehab@example.org"
role = "rehabilitator"
"""
FOUND = """\
name,date_found,event_date,body_mass_g,life_stage,in_care
Hazel,2025-11-08,2025-11-09,11.0,juvenile,yes
"""
OPEN_METEO = "Weather data by Open-Meteo.com (https://open-meteo.com/)"
MET_NORWAY = "Based on data from MET Norway (https://api.met.no/)"
PROVIDERS = {
    "open-meteo": ('"open-meteo"', [OPEN_METEO]),
    "met-norway": ('"met-norway"', [MET_NORWAY, OPEN_METEO]),
}


@pytest.fixture
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW) as traveller:
        yield traveller


@pytest.fixture
def services(clock: time_machine.Traveller) -> Iterator[Services]:
    """Their clock is that of this machine."""
    with Services() as running:
        yield running


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few draws and short pauses: what is tested is the way, not the numbers."""
    limits = functools.partial(client.Limits, tries=2, back_off_s=0.01, jitter_s=0.0)
    monkeypatch.setattr(client, "Limits", limits)
    monkeypatch.setattr(pipeline, "run", functools.partial(pipeline.run, draws=16))
    for name in ("check", "views"):
        module = sys.modules[f"riskcast.pipeline.{name}"]
        there = "_forecast" if name == "views" else "forecast"
        monkeypatch.setattr(module, there, functools.partial(getattr(module, there), draws=16))


@pytest.fixture
def site(riskcast_command: Call, services: Services, tmp_path: Path) -> Callable[[str], str]:
    """`site(forecast)`: a site made by `riskcast new`, pointed at the services here."""

    def make(forecast: str, more: str = "") -> str:
        zone = ("--timezone", "Europe/London")
        assert riskcast_command("new", "wood", *PLACE, *zone).exit_code == 0
        path = tmp_path / "wood/site.toml"
        text = path.read_text("utf-8")
        for key, value in {
            "forecast": forecast,
            "past_years": str(YEARS),
            "files": '["weights.csv"]',
        }.items():
            text, hits = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", text)
            assert hits == 1, key
        head, visits, tail = text.partition("[visits]")
        kept = 'cache = "fetched"\n' + more + services.site_lines()
        path.write_text(f'{head}{kept}{visits}{tail}{PEOPLE}[archive]\nfolder = "kept"\n', "utf-8")
        (tmp_path / "wood/weights.csv").write_text(SHEET)
        return "wood/site.toml"

    return make


def flat(text: str) -> str:
    return " ".join(text.split())


def letter(folder: Path, role: str) -> tuple[str, str]:
    """Text and HTML part of the one letter to a role."""
    import email
    import email.policy

    (path,) = folder.glob(f"out/*/*/alert-{role}-1.eml")
    message = email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
    return tuple(  # type: ignore[return-value]
        message.get_body((kind,)).get_content() for kind in ("plain", "html")
    )


@pytest.mark.parametrize("provider", PROVIDERS)
class TestEachProvider:
    def test_fetch_then_run_then_offline(
        self,
        riskcast_command: Call,
        services: Services,
        site: Callable[[str], str],
        tmp_path: Path,
        provider: str,
    ) -> None:
        named, credits = PROVIDERS[provider]
        path = site(named)
        done = riskcast_command("fetch", path, "-v")
        assert done.exit_code == 0, done.output
        assert f"of {YEARS} winters" in done.stderr
        lines = done.stdout.splitlines()
        assert any(line.startswith(provider) and ", forecast: reached" in line for line in lines)
        assert any(line.startswith("open-meteo") and ", history: " in line for line in lines)
        assert all("CC BY 4.0" in line for line in lines if ": reached" in line)
        assert [line for line in lines if line in credits] == credits
        asked = services.count()

        done = riskcast_command("run", path)
        assert done.exit_code == 0, done.output
        assert services.count() == asked, "what is fresh is not asked for again"
        assert "The forecast is from Monday 10 November 2025, 07:" in flat(done.stdout)
        assert "so far" not in done.stdout
        document = json.loads(next(tmp_path.glob("out/*/*/assessment.json")).read_text("utf-8"))
        assert document["weather"]["past_years"] == YEARS
        assert list(document["weather"]["attribution"]) == credits
        for role in ("monitor", "rehabilitator"):
            text, html = letter(tmp_path, role)
            for credit in credits:
                assert credit in flat(text)
            link = '<a href="https://open-meteo.com/">Weather data by Open-Meteo.com</a>'
            assert link in re.sub(r' style="[^"]*"', "", html)

        offline = riskcast_command("run", path, "--offline")
        assert offline.exit_code == 0, offline.output
        assert services.count() == asked
        assert flat(offline.stdout) == flat(done.stdout)

    def test_check_tells_each_source(
        self,
        riskcast_command: Call,
        services: Services,
        site: Callable[[str], str],
        provider: str,
    ) -> None:
        path = site(PROVIDERS[provider][0])
        done = riskcast_command("check", path)
        assert done.exit_code == 0, done.output
        told = [line for line in done.stdout.splitlines() if ": reached" in line]
        assert any(provider in line and "forecast" in line for line in told)
        assert any("open-meteo" in line and "history" in line for line in told)
        for line in told:
            assert "h old" in line
            assert re.search(r"\d+ hours from \d{4}-\d\d-\d\d to \d{4}-\d\d-\d\d", line)
            assert "CC BY 4.0" in line
        assert any("km away" in line and "m in height" in line for line in told)

    def test_the_service_is_gone_and_the_copy_grows_old(
        self,
        riskcast_command: Call,
        services: Services,
        clock: time_machine.Traveller,
        site: Callable[[str], str],
        tmp_path: Path,
        provider: str,
    ) -> None:
        path = site(PROVIDERS[provider][0])
        assert riskcast_command("fetch", path).exit_code == 0
        services.__exit__()
        clock.move_to(NOW + dt.timedelta(hours=30))
        done = riskcast_command("run", path)
        assert done.exit_code == 0, done.output
        assert "30 hours before" in flat(done.stdout)
        assert provider in done.stderr
        for name in ("run", "visits", "triage", "explain"):
            done = riskcast_command(name, path)
            told = re.search(r"could not have fresh weather from ([^.]*),", flat(done.stdout))
            assert told, name
            assert provider in told[1]
        document = json.loads(next(tmp_path.glob("out/*/*/assessment.json")).read_text("utf-8"))
        assert not document["weather"]["stale"]

        clock.move_to(NOW + dt.timedelta(hours=50))
        every = ("run", "visits", "triage", "explain", "check")
        for name in every if provider == "open-meteo" else every[:1]:
            done = riskcast_command(name, path)
            assert done.exit_code == 0, done.output
            assert "The forecast is old: 50 hours, and our limit is 36." in flat(done.stdout)
        offline = riskcast_command("run", path, "--offline")
        assert offline.exit_code == 0, offline.output
        assert "The forecast is old: 50 hours" in flat(offline.stdout)
        (newest,) = tmp_path.glob("out/*/2025-11-12/assessment.json")
        assert json.loads(newest.read_text("utf-8"))["weather"]["stale"]

    def test_gone_from_the_first(
        self,
        riskcast_command: Call,
        services: Services,
        site: Callable[[str], str],
        tmp_path: Path,
        provider: str,
    ) -> None:
        path = site(PROVIDERS[provider][0])
        services.__exit__()
        for name in ("fetch", "run", "check", "visits"):
            done = riskcast_command(name, path)
            assert done.exit_code == 69, done.output
            assert provider in done.stdout + done.stderr
            assert "127.0.0.1" not in done.stdout + done.stderr
            assert "50.12" not in done.stdout + done.stderr
        assert not list(tmp_path.glob("out/**/*.eml"))

    def test_offline_before_anything_was_fetched(
        self,
        riskcast_command: Call,
        services: Services,
        site: Callable[[str], str],
        provider: str,
    ) -> None:
        done = riskcast_command("run", site(PROVIDERS[provider][0]), "--offline")
        assert done.exit_code == 69
        assert services.count() == 0
        assert "run once without --offline" in done.stderr


@pytest.mark.parametrize("command", ["run", "check", "visits", "triage", "explain", "found"])
def test_offline_connects_nowhere_and_looks_no_name_up(
    riskcast_command: Call,
    site: Callable[[str], str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    command: str,
) -> None:
    path = site('"open-meteo"')
    mail = '\n[mail]\nhost = "127.0.0.1"\nport = 9\nsecurity = "none"\nfrom = "a@example.org"\n'
    (tmp_path / path).write_text((tmp_path / path).read_text("utf-8") + mail, "utf-8")
    assert riskcast_command("fetch", path).exit_code == 0

    def opened(*_: object, **__: object) -> None:
        raise AssertionError("the network was touched")

    for name in ("connect", "connect_ex", "sendto"):
        monkeypatch.setattr(socket.socket, name, opened)
    for name in ("getaddrinfo", "gethostbyname", "create_connection"):
        monkeypatch.setattr(socket, name, opened)
    words = (command, path)
    if command == "found":
        (tmp_path / "found.csv").write_text(FOUND)
        words = ("triage", path, "--near", "50.1,-5.0", "--animals", "found.csv")
    for more in ((), ("--as-of", "2025-11-10"), ("--as-of", "2025-11-10T07:20+00:00")):
        done = riskcast_command(*words, "--offline", *more)
        assert done.exit_code == 0, done.output
    for more in (("--as-of", "2025-11-09"),):  # nothing was kept by then
        done = riskcast_command(*words, "--offline", *more)
        assert done.exit_code == 69, done.output


def test_the_next_source_is_tried_and_the_failure_told(
    riskcast_command: Call, services: Services, site: Callable[[str], str], tmp_path: Path
) -> None:
    services.fail("met-norway", service_faults.status(500), times=None)
    path = site('["met-norway", "open-meteo"]')
    done = riskcast_command("run", path)
    assert done.exit_code == 0, done.output
    assert "met-norway" in done.stderr
    assert "and used what else we had" in flat(letter(tmp_path, "monitor")[0])
    assert MET_NORWAY not in flat(letter(tmp_path, "monitor")[0])


@pytest.mark.parametrize("provider", PROVIDERS)
@pytest.mark.parametrize("has_soil", [True, False])
def test_soil_below_the_nest(
    riskcast_command: Call,
    services: Services,
    site: Callable[[str], str],
    provider: str,
    has_soil: bool,
) -> None:
    """No forecast has it. Where the reanalysis does, five days behind, it is the lower boundary;
    where that has no value either, the mean of the year is, and explain says which."""
    if not has_soil:
        soil = "soil_temperature_100_to_255cm"
        services.fail("archive", service_faults.all_null(soil), times=None)
    path = site(PROVIDERS[provider][0])
    done = riskcast_command("explain", path, "--animal", "reference")
    assert done.exit_code == 0, done.output
    (told,) = (line for line in done.stdout.splitlines() if line.startswith("   below: "))
    checked = flat(riskcast_command("check", path).stdout)
    known = "Soil 178 cm down is known up to 5 November"
    if has_soil:
        assert told.startswith("   below: soil temperature at 1.83 m, mean ")
        assert told.endswith("; measured to 2025-11-05, then as in past winters")
        assert known in checked
    else:
        assert told.startswith("   below: annual mean air temperature at 2.30 m, mean ")
        assert "Soil" not in checked


def test_past_years_come_day_by_day_and_every_output_says_so(
    riskcast_command: Call,
    services: Services,
    clock: time_machine.Traveller,
    site: Callable[[str], str],
    tmp_path: Path,
) -> None:
    """An allowance so small that one day does not do; each winter weighs tens of calls."""
    path = site('"open-meteo"')
    text = (tmp_path / path).read_text("utf-8")
    few = text.replace("[weather.open-meteo]\n", "[weather.open-meteo]\ncalls_a_day = 120\n", 1)
    (tmp_path / path).write_text(few, "utf-8")
    done = riskcast_command("fetch", path)
    assert done.exit_code == 0, done.output
    so_far = re.search(rf"(\d) of {YEARS} past years so far", done.stdout)
    assert so_far
    assert 0 < int(so_far[1]) < YEARS
    words = so_far[0]
    for name in ("run", "visits", "triage", "explain", "check"):
        done = riskcast_command(name, path)
        assert done.exit_code == 0, done.output
        assert words in flat(done.stdout), name
        assert "NOT FRESH" not in done.stdout, "what waits for tomorrow is no failure"
    for role in ("monitor", "rehabilitator"):
        assert words in flat(letter(tmp_path, role)[0])
    clock.move_to(NOW + dt.timedelta(days=1))
    more = riskcast_command("fetch", path)
    later = re.search(rf"(\d) of {YEARS} past years so far", more.stdout)
    assert later is None or int(later[1]) > int(so_far[1])


def test_found_animals_without_a_site_file(
    riskcast_command: Call,
    services: Services,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Only the addresses of the service are changed: they lead to this machine."""
    views = sys.modules["riskcast.pipeline.views"]
    nowhere = views._nowhere

    def here(*arguments: object) -> Site:
        made = nowhere(*arguments)
        weather = made.weather.model_copy(update={"open_meteo": OpenMeteo(**services.open_meteo())})
        return made.model_copy(update={"weather": weather})

    monkeypatch.setattr(views, "_nowhere", here)
    monkeypatch.setattr("platformdirs.user_cache_path", lambda app: tmp_path / "cache")
    monkeypatch.setattr("platformdirs.user_state_path", lambda app: tmp_path / "state")
    (tmp_path / "found.csv").write_text(FOUND)
    done = riskcast_command(
        *("triage", "--near", "50.1,-4.9", "--animals", "found.csv"),
        *("--timezone", "Europe/London", "--elevation", "120"),
    )
    assert done.exit_code == 0, done.output
    assert "Hazel" in done.stdout
    assert services.count("ensemble") == 1
