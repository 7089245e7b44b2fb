"""The other commands on the demonstration: visits, triage, found animals, check, explain.

Where only the showing is tested the numbers are those of a run already made; each command also
goes its whole way once.
"""

from __future__ import annotations

import csv
import datetime as dt
import functools
import io
import json
import math
import sys

import pytest
from click.testing import CliRunner

from riskcast.advice.sentences import Sentences
from riskcast.cli.app import app

SATURDAY, PLANNED = dt.date(2025, 11, 1), dt.date(2025, 11, 22)


def call(*arguments, code=0):
    done = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert done.exit_code == code, done.output
    return done


def rows_of(done):
    table = json.loads(done.stdout)
    assert table["schema"] == "riskcast.table/1"
    return table["rows"], table["notes"]


@pytest.fixture(autouse=True)
def few_draws(monkeypatch):
    """The whole way, with a quarter of the draws."""
    for name in ("views", "check"):
        module = sys.modules[f"riskcast.pipeline.{name}"]
        attribute = "_forecast" if name == "views" else "forecast"
        quick = functools.partial(getattr(module, attribute), draws=64)
        monkeypatch.setattr(module, attribute, quick)


@pytest.fixture
def on(usual, few_draws, monkeypatch):
    """`on(day)`: site file and date of a smaller run whose numbers the commands take."""
    views = sys.modules["riskcast.pipeline.views"]

    def use(day):
        made = usual(day).run.forecast

        def already_made(site, now, **options):
            assert options.get("records") is None
            assert (site, now.issued_at) == (made.site, made.moment.issued_at)
            return made

        monkeypatch.setattr(views, "_forecast", already_made)
        return usual(day).site, "--as-of", day.isoformat()

    return use


# --- visits -------------------------------------------------------------------------------------


class TestVisits:
    def test_the_proposed_day_is_the_one_of_the_letter(self, on, usual, dates):
        rows, notes = rows_of(call("visits", *on(dates[0]), "--json"))
        by_day = {dt.date.fromisoformat(row["day"]): row for row in rows}
        advice = usual(dates[0]).advice("monitor")
        assert by_day[advice.visit_day]["remark"] == "proposed"
        assert by_day[PLANNED]["remark"] == "planned"
        assert list(by_day)[-1] == PLANNED
        assert [row["remark"] for row in rows].count("proposed") == 1
        assert by_day[advice.visit_day]["settle by"] == advice.by_date.isoformat()
        numbers = next(r for r in advice.reasons if r.code == "better_day").numbers
        for day, name in ((advice.visit_day, "in_reach"), (PLANNED, "planned_in_reach")):
            assert by_day[day]["in reach (animals)"] == pytest.approx(numbers[name], abs=0.006)
        assert any("takes the place of the planned one" in note for note in notes)
        assert any("licence" in note for note in notes)

    def test_only_days_on_which_people_can_come(self, on, usual, dates):
        rows, _ = rows_of(call("visits", *on(dates[0]), "--json"))
        seen = usual(dates[0])
        rules = seen.run.forecast.site.visits
        for row in rows:
            day = dt.date.fromisoformat(row["day"])
            assert row["weekday"] == f"{day:%a}"
            assert row["weekday"].lower() in rules.weekdays
            assert (day - seen.assessment.records.last_check).days >= rules.min_gap_days
            settle = dt.date.fromisoformat(row["settle by"])
            assert (day - settle).days == rules.notice_days + 1
            assert settle >= dates[0]

    def test_value_is_what_is_reached_in_fit_weather(self, on, dates):
        rows, _ = rows_of(call("visits", *on(dates[0]), "--json"))
        planned = rows[-1]["value (animals)"]
        for row in rows:
            fit = 1 - row["unfit weather (share)"]
            assert row["value (animals)"] == pytest.approx(
                row["in reach (animals)"] * fit, abs=0.04
            )
            assert row["gain over planned (animals)"] == pytest.approx(
                row["value (animals)"] - planned, abs=0.011
            )

    def test_torpid_in_the_morning_is_what_the_assessment_holds(self, on, usual, dates):
        rows, notes = rows_of(call("visits", *on(dates[0]), "--json"))
        calendar = usual(dates[0]).assessment.calendar
        by_day = dict(zip(calendar.days, calendar.torpid_in_box, strict=True))
        assert len(by_day) == 60
        for row in rows:
            share = by_day[dt.date.fromisoformat(row["day"])]
            assert row["torpid that morning"] == Sentences.share(share)
        assert any("morning of Saturday 1 November" in note for note in notes)

    def test_in_midwinter_all_have_gone_to_ground(self, usual, dates):
        calendar = usual(dates[1]).assessment.calendar
        assert set(calendar.torpid_in_box) == {None}

    def test_in_winter_there_is_no_day_and_it_says_why(self, on, dates):
        done = call("visits", *on(dates[1]))
        assert "No rows." in done.stdout
        assert "The season of box checks is closed" in " ".join(done.stdout.split())

    def test_csv(self, on, dates):
        done = call("visits", *on(dates[0]), "--csv")
        rows = list(csv.DictReader(io.StringIO(done.stdout)))
        assert rows[-1]["day"] == PLANNED.isoformat()
        assert "licence" in done.stderr


# --- triage ---------------------------------------------------------------------------------------


class TestTriage:
    def test_most_urgent_first_with_the_numbers_of_the_assessment(self, on, usual, dates):
        rows, notes = rows_of(call("triage", *on(dates[0]), "--json"))
        a = usual(dates[0]).assessment
        by_label = {animal.label: animal for animal in a.animals}
        assert [row["animal"] for row in rows] == [animal.label for animal in a.animals]
        spare = []
        for row in rows:
            animal = by_label[row["animal"]]
            assert row["body mass (g)"] == animal.body_mass_g
            for feeding, words in (("none", "no food"), ("found", "food found")):
                shown = row[f"days to spare, {words} (d)"]
                quantity = animal.days_to_spare[feeding]
                if not animal.ranked:
                    assert shown is None
                    continue
                expected = round(quantity.value)
                assert shown == (f"{expected}+" if quantity.at_least else expected)
            if animal.ranked:
                spare.append(animal.days_to_spare["none"].value)
                assert row["against normal (d)"] == round(animal.days_vs_normal.value)
            else:
                assert "not ranked" in row["remark"]
        assert spare == sorted(spare)
        assert [bool(row["remark"].startswith("not ranked")) for row in rows] == sorted(
            not animal.ranked for animal in a.animals
        )
        assert by_label[rows[0]["animal"]].box in ("7", "14", "27", "41")  # a late young
        assert any("vet or an experienced rehabilitator" in note for note in notes)

    def test_shares_are_never_nought_or_ten_of_ten(self, on, usual, dates):
        rows, notes = rows_of(call("triage", *on(dates[0]), "--json"))
        assert usual(dates[0]).assessment.gate.passed
        for row in rows:
            for column in ("fat lasts, no food", "fat lasts, food found", "under target at onset"):
                assert not (row[column] or "").startswith(("0 of", "10 of"))
        assert any(row[column] for row in rows)
        assert any("Other deaths are not counted." in note for note in notes)

    def test_it_fits_a_terminal(self, on, dates, monkeypatch):
        monkeypatch.setenv("COLUMNS", "100")
        done = call("triage", *on(dates[1]))
        assert max(map(len, done.stdout.splitlines())) <= 100
        assert "box 14, 1st of 5" in done.stdout

    def test_the_whole_way(self, small_site, tmp_path, dates):
        site = small_site(tmp_path)
        rows, _ = rows_of(call("triage", site, "--as-of", dates[0], "--json"))
        assert len(rows) >= 20
        assert rows[0]["animal"].startswith(("box 14", "animal K07"))
        assert not (tmp_path / "archive").exists()
        assert sorted(path.name for path in tmp_path.iterdir()) == ["site.toml"]


# --- found animals --------------------------------------------------------------------------------

FOUND = """name,date_found,event_date,body_mass_g,life_stage,in_care
Acorn,2025-10-20,2025-10-25,11.5,juvenile,yes
Bramble,2025-10-24,2025-10-24,16,juvenile,no
Catkin,2025-10-26,2025-10-26,24,adult,
"""


@pytest.fixture
def found(tmp_path):
    def write(text=FOUND, name="found.csv"):
        path = tmp_path / name
        path.write_text(text, "utf-8")
        return path

    return write


@pytest.fixture
def by_hand(small_weather):
    """Weather named on the command line, as without a site file."""
    return (
        *("--forecast", small_weather.folder / "forecast-*.nc"),
        *("--history", small_weather.folder / "history.nc"),
        *("--timezone", "Europe/London"),
    )


class TestFound:
    def test_without_a_site(self, found, by_hand, hazel_dormouse, dates):
        rows, notes = rows_of(
            call("triage", "--near", "50.0,-4.0", "--animals", found(), *by_hand,
                 "--as-of", dates[0], "--json")
        )  # fmt: skip
        by_name = {row["name"]: row for row in rows}
        assert set(by_name) == {"Acorn", "Bramble", "Catkin"}
        days = [row["days in hand, no food (d)"] for row in rows]
        assert days == sorted(days)
        assert rows[0]["name"] == "Acorn"
        gain = hazel_dormouse.autumn.captive_gain
        release = hazel_dormouse.autumn.captive_release_mass
        for name, mass, start in (
            ("Acorn", 11.5, dt.date(2025, 10, 25)),  # in care: from the weighing
            ("Bramble", 16.0, dates[0]),  # not in care: from today
        ):
            care = math.ceil((release - mass) / gain)
            assert by_name[name]["days in care (d)"] == care
            until = start + dt.timedelta(days=care)
            assert by_name[name]["care until about"] == until.isoformat()
        # Above the release mass: no care, and no day on which it would end.
        assert by_name["Catkin"]["days in care (d)"] == "none needed"
        assert by_name["Catkin"]["care until about"] is None
        assert [by_name[n]["in care"] for n in ("Acorn", "Bramble", "Catkin")] == [
            "yes",
            "no",
            "no",
        ]
        assert by_name["Acorn"]["found"] == "2025-10-20"
        text = " ".join(notes)
        assert "no release mass is published" in text
        assert "This is no order." in text
        assert "vet or an experienced rehabilitator" in text
        assert "surviv" not in text

    def test_mass_needed_and_what_is_missing(self, found, by_hand, dates):
        """The lighter lacks more by exactly the difference, where the need is known."""
        rows, _ = rows_of(
            call("triage", "--near", "50,-4", "--animals", found(), *by_hand,
                 "--as-of", dates[0], "--json")
        )  # fmt: skip
        by_name = {row["name"]: row for row in rows}
        for words in ("no food", "food found"):
            needed = {row[f"mass needed, {words} (g)"] for row in rows}
            assert len(needed) == 1
            numbers = [by_name[n][f"missing, {words} (g)"] for n in ("Acorn", "Bramble")]
            total = needed.pop()
            if total == "none lasts":  # no mass to reach, so nothing that is missing
                assert numbers == [None, None]
                continue
            assert numbers[0] == pytest.approx(max(total - 11.5, 0.0), abs=0.051)
            assert numbers[1] == pytest.approx(max(total - 16.0, 0.0), abs=0.051)
            assert total > 10.0

    def test_in_the_weather_of_a_site(self, found, small_site, tmp_path, dates):
        site = small_site(tmp_path / "site", rehab_below_g=12)
        rows, notes = rows_of(
            call("triage", site, "--animals", found(), "--as-of", dates[0], "--json")
        )
        assert rows[0]["name"] == "Acorn"
        assert any("agreed mass for taking an animal in is 12 g" in note for note in notes)
        assert "Alder" not in json.dumps(rows)

    def test_faults_are_told_and_the_other_rows_go_on(self, found, by_hand, dates):
        text = FOUND + (
            "Dewdrop,2025-10-20,2025-10-20,195,juvenile,no\n"
            "Elder,sometime,2025-10-21,14,juvenile,perhaps\n"
            "Fern,2025-10-20,2025-13-45,14,juvenile,no\n"
        )
        rows, notes = rows_of(
            call("triage", "--near", "50.0,-4.0", "--animals", found(text), *by_hand,
                 "--as-of", dates[0], "--json")
        )  # fmt: skip
        by_name = {row["name"]: row for row in rows}
        assert set(by_name) == {"Acorn", "Bramble", "Catkin", "Elder"}
        assert by_name["Elder"]["found"] is None
        assert by_name["Elder"]["in care"] == "no"
        told = "\n".join(notes)
        for words in ("found.csv: row 5, body_mass_g", '"195"', '"sometime"', '"perhaps"',
                      "found.csv: row 6, date_found", "found.csv: row 6, in_care",
                      "found.csv: row 7, event_date"):  # fmt: skip
            assert words in told, words
        assert "weights." not in told, "a list has no site file"

    def test_nothing_weighed_later_is_read(self, found, by_hand, dates):
        late = (
            FOUND + "Gorse,2025-11-20,2025-11-21,9,juvenile,no\nHolly,2026-01-02,2026-01-03,195,,\n"
        )
        before, after = (
            rows_of(
                call("triage", "--near", "50,-4", "--animals", found(text), *by_hand,
                     "--as-of", dates[0], "--json")
            )
            for text in (FOUND, late)
        )  # fmt: skip
        assert after == before

    @pytest.mark.parametrize(
        ("text", "code", "said"),
        [
            ("name,body_mass_g\nAcorn,11\n", 65, "event_date"),
            (FOUND.splitlines()[0] + "\n", 65, "no row"),
            (FOUND.splitlines()[0] + "\nAcorn,2025-10-20,2025-10-20,195,juvenile,no\n", 65, "195"),
            ("%PDF-1.7\n", 65, "PDF"),
            (None, 66, "found.csv"),
        ],
        ids=["no date column", "headings only", "no usable row", "a PDF", "no file"],
    )
    def test_lists_that_cannot_be_used(self, tmp_path, found, by_hand, dates, text, code, said):
        path = tmp_path / "found.csv" if text is None else found(text)
        done = call("triage", "--near", "50.0,-4.0", "--animals", path, *by_hand,
                    "--as-of", dates[0], code=code)  # fmt: skip
        assert said in done.stderr
        assert done.stdout == ""

    def test_weather_of_another_place_is_refused(self, found, by_hand, dates):
        done = call("triage", "--near", "57.0,10.0", "--animals", found(), *by_hand,
                    "--as-of", dates[0], code=69)  # fmt: skip
        assert "site" in done.stderr or "place" in done.stderr

    def test_in_spring_too(self, found, by_hand, dates):
        """An animal found thin in late March, before there is food."""
        text = "name,date_found,event_date,body_mass_g,life_stage,in_care\n"
        text += "Ivy,2026-03-25,2026-03-26,12.5,adult,yes\n"
        rows, notes = rows_of(
            call("triage", "--near", "50,-4", "--animals", found(text), *by_hand,
                 "--as-of", dates[2], "--json")
        )  # fmt: skip
        (row,) = rows
        assert row["days in hand, no food (d)"] is None
        assert any("No days in hand for Ivy" in note for note in notes)


# --- check ----------------------------------------------------------------------------------------


class TestCheck:
    def test_all_is_well(self, small_site, tmp_path, dates):
        done = call("check", small_site(tmp_path), "--as-of", dates[0], "--json")
        report = json.loads(done.stdout)
        assert report["exit_code"] == 0
        lines = {line["topic"]: line for line in report["lines"]}
        assert list(lines) == [
            "site file", "species", "weights", "weather", "letters", "archive", "mail"
        ]  # fmt: skip
        assert all(line["ok"] for line in lines.values())
        assert "3 recipients, 2 planned visits" in lines["site file"]["text"]
        assert "0 of 333 rows set aside, 333 used" in lines["weights"]["text"]
        assert "issued 2025-10-27 00:00 UTC, 24 h old" in lines["weather"]["text"]
        assert "Invented weather for demonstration" in lines["weather"]["text"]
        assert "monitor act" in lines["letters"]["text"]
        assert "no [mail] section" in lines["mail"]["text"]
        assert not (tmp_path / "out").exists()

    def test_all_faults_at_once(self, small_site, tmp_path, dates, weight_rows, write_weights):
        """Bad rows and no forecast: both are told, the exit code is that of the first stop."""
        bad = {**dict.fromkeys(weight_rows[0], ""), "event_date": "2025-10-18", "box": "61",
               "body_mass_g": "195", "life_stage": "adult"}  # fmt: skip
        sheet = write_weights(tmp_path / "weights.csv", [*weight_rows, bad])
        site = small_site(tmp_path, files=[sheet])
        done = call("check", site, "--as-of", "2025-08-01", code=69)
        assert "FAULT  weather" in done.stdout
        assert "ok     weights" in done.stdout
        assert "letters can be written" not in done.stdout
        later = call("check", site, "--as-of", dates[0])
        assert '"195"' in later.stdout
        assert "Correct the sheet" in later.stdout

    def test_a_site_file_with_faults_stops_there(self, small_site, tmp_path):
        site = small_site(tmp_path)
        site.write_text(site.read_text("utf-8").replace("elevation_m", "elevation"), "utf-8")
        done = call("check", site, code=78)
        assert "FAULT  site file" in done.stdout
        assert "elevation_m" in done.stdout


# --- explain --------------------------------------------------------------------------------------


class TestExplain:
    def test_the_whole_way(self, small_site, tmp_path, dates):
        site = small_site(tmp_path)
        file = tmp_path / "out" / "days.csv"
        done = call("explain", site, "--animal", "K13", "--as-of", dates[0], "--days", file)
        assert done.stdout.startswith("How the numbers for animal K13, box 14")
        for step in ("1  Weighing", "2  Weather", "3  Growth and onset", "4  Nest temperature",
                     "5  Torpor and arousal", "6  Reserve", "7  Food in spring", "8  Result",
                     "9  What moves", "10  Week by week for animal K13",
                     "How the weather itself is described", "Parameters:", "Sources"):  # fmt: skip
            assert step in done.stdout
        heading, *rows = csv.reader(file.read_text("utf-8").splitlines())
        assert heading[0] == "date (UTC)"
        assert rows[-1][0] == "2026-05-31"
        assert all(len(row) == len(heading) for row in rows)
        # Nothing tells whose woods these are: no place, no name, no box.
        text = file.read_text("utf-8").casefold()
        for word in ("latitude", "longitude", "box", "hanger", "k13", "europe"):
            assert word not in text
        for used in ("cm of litter with 10% water; canopy deciduous; snow: ",
                     "below: annual mean air temperature at 2.30 m, mean ",
                     "a day's mean may miss by 1 °C either way"):  # fmt: skip
            assert used in done.stdout

    def test_own_dates_are_fitted_to_the_past_winters(
        self, small_site, small_weather, tmp_path, dates
    ):
        """Oak that flowers by a sum of warmth of its own, in the invented past of the small site.

        Where its dates come from is told, as is what a week, a fortnight and the season cost.
        """
        air = small_weather.history["air_temperature"].squeeze()
        if air.attrs.get("units") in ("K", "kelvin"):
            air = air - 273.15
        days = air.to_series().resample("1D").mean()
        rows = ["plant,stage,date"]
        for _, spring in days[days.index.month <= 6].groupby(lambda day: day.year):
            warmth = (spring[spring.index.day_of_year >= 55] - 4.34).clip(lower=0).cumsum()
            ready = warmth[warmth > 200.0]
            if ready.size and spring.index.day_of_year[0] == 1:
                rows.append(f"oak,flower,{ready.index[0].date()}")
        assert len(rows) > 6
        (tmp_path / "own.csv").write_text("\n".join(rows) + "\n", "utf-8")
        site = small_site(tmp_path, food_dates=tmp_path / "own.csv")
        text = call("explain", site, "--animal", "reference", "--as-of", dates[1]).stdout
        (told,) = (line for line in text.splitlines() if "from oak" in line)
        assert "oak (own dates, flower, " in told
        assert ", thermal time; days missed in " in told
        missed = float(told.split("fitted to them ")[1].split(",")[0].rstrip(")"))
        assert missed < 2.0
        for words in ("next week, 7 days: ", "window of the risk, 14 days: ", "season so far, "):
            assert words in text

    def test_an_override_is_shown_as_the_sites_own(self, small_site, tmp_path, dates):
        more = '\n[species.override]\n"torpor.q10" = { value = 1.9, reason = "own report 3" }\n'
        done = call("explain", small_site(tmp_path, more), "--animal", "reference",
                    "--as-of", dates[1])  # fmt: skip
        line = next(text for text in done.stdout.splitlines() if "torpor.q10" in text)
        assert "= 1.9" in line
        assert "| site |" in line

    def test_a_label_that_nobody_has(self, on, dates):
        done = call("explain", *on(dates[0]), "--animal", "box 99", code=2)
        assert 'no animal matches "box 99"' in done.stderr
        assert "animal K13, box 14, weighed 18 October" in done.stderr
