"""The whole way for another species: the garden dormouse, no line of code changed for it.

The weather is the smaller demonstration's; the weights are the demonstration's times 4.5, about
the ratio of the two species' young before winter (89.9 to 20 g). All of it is invented: this is
plumbing, and no evidence for any number.
"""

from __future__ import annotations

import datetime as dt
import re

import pytest

from riskcast import pipeline, species

DRAWS, TIMES = 64, 4.5
DATES = {
    "autumn": dt.date(2025, 10, 27),
    "winter": dt.date(2026, 1, 12),
    "spring": dt.date(2026, 3, 30),
}


@pytest.fixture(scope="module")
def site(small_site, weight_rows, write_weights, tmp_path_factory):
    folder = tmp_path_factory.mktemp("garden-dormouse")
    rows = [
        {**row, "body_mass_g": row["body_mass_g"] and round(float(row["body_mass_g"]) * TIMES, 1)}
        for row in weight_rows
    ]
    weights = write_weights(folder / "weights.csv", rows)
    path = small_site(folder, files=[weights], target_mass_g=68)
    text = path.read_text("utf-8")
    assert text.count('name = "hazel_dormouse"') == 1
    path.write_text(text.replace("hazel_dormouse", "garden_dormouse"), "utf-8")
    return path


@pytest.fixture(scope="module", params=DATES)
def each(request, site, tmp_path_factory):
    """The run of each season in turn."""
    out = tmp_path_factory.mktemp(request.param)
    return request.param, pipeline.run(site, as_of=DATES[request.param], out=out, draws=DRAWS)


def test_all_rows_are_plausible_for_this_species(each):
    records = each[1].assessment.records
    assert records.used == records.rows > 300


def test_its_own_animal_stands_for_the_site(each):
    assessment = each[1].assessment
    assert assessment.site.species == "garden_dormouse"
    assert assessment.reference_animal.body_mass_g == 80.0


def test_seasons_are_asked_about_as_ever(each):
    season, run = each
    asked = {r.id for r in run.assessment.risks if r.status == "assessed"}
    assert {
        "autumn": {"autumn_mass"},
        "winter": {"winter_arousal", "winter_reserve"},
        "spring": {"spring_food"},
    }[season] <= asked


def test_confidence_is_low_for_borrowed_numbers(each):
    season, run = each
    sp = species.load("garden_dormouse")
    borrowed = sum(sp.parameters[name].use == "model" for name in sp.borrowed)
    assert borrowed > 40
    for risk in run.assessment.risks:
        if risk.status == "assessed":
            assert risk.confidence == "low"
    for letter in run.letters:
        text = " ".join(letter.text.split())
        told = f"{borrowed} of our numbers are taken or scaled from the hazel dormouse"
        assert told in text, (season, letter.role)


def test_letters_name_the_species_and_no_other(each):
    for letter in each[1].letters:
        text = " ".join(letter.text.split())
        assert "when the garden dormouse goes in or comes out" in text
        rest = re.sub(r"taken or scaled from the hazel dormouse", "", text)
        assert not re.search("hazel d|muscardinus", rest, re.IGNORECASE)


def test_heavier_animals_last_longer(each):
    """The numbers are this species' own from end to end, not only on the cover."""
    carried = [
        (animal.body_mass_g, animal.days_in_hand["none"].value)
        for animal in each[1].assessment.animals
        if animal.days_in_hand["none"].value is not None
    ]
    if not carried:
        pytest.skip("no animal is carried on this date")
    light = [days for grams, days in carried if grams < 50]
    heavy = [days for grams, days in carried if grams > 80]
    assert max(light) < min(heavy)


def test_explain_counts_what_is_borrowed(site):
    sp = species.load("garden_dormouse")
    used = {name for name, one in sp.parameters.items() if one.use == "model"}
    text = pipeline.explain(site, as_of=DATES["autumn"])
    assert f"{len(used)} numbers of the garden dormouse: " in text
    assert f"{len(sp.borrowed & used)} of them are taken or scaled from the hazel dormouse" in text
    surrogates = sum(sp.parameters[name].status == "surrogate" for name in used)
    assert f"{surrogates} surrogate" in text


def test_weights_of_a_hazel_dormouse_are_not_believed(small_site, tmp_path):
    path = small_site(tmp_path)
    path.write_text(path.read_text("utf-8").replace("hazel_dormouse", "garden_dormouse"), "utf-8")
    run = pipeline.run(path, as_of=DATES["autumn"], out=tmp_path / "out", draws=DRAWS)
    records = run.assessment.records
    assert len(records.set_aside) > 40
