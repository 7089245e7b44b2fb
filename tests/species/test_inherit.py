"""A species that borrows: what is taken, how it is told, and what may never be borrowed."""

from __future__ import annotations

import tomllib

import pytest

from riskcast import species
from riskcast.base.errors import ConfigError
from riskcast.species.load import _FOLDER

HEAD = """
schema = "riskcast.species/1"
name = "{name}"
scientific_name = "T t"
vernacular_name = "{name} mouse"
"""
ENTRY = """
[{name}]
value = {value}
unit = "{unit}"
distribution = "{distribution}"
status = "{status}"
source = "memory"
where = "somewhere"
{extra}
"""


def entry(name, value=1.0, *, unit="1", distribution="fixed", status="derived", extra=""):
    return ENTRY.format(
        name=name, value=value, unit=unit, distribution=distribution, status=status, extra=extra
    )


PARENT = (
    HEAD.format(name="parent")
    + entry("torpor.q10", 2.0, distribution="normal", extra="low = 1.5\nhigh = 3.0\nmin = 1.4")
    + entry("torpor.rate", 0.1, distribution="lognormal", extra="low = 0.05\nhigh = 0.2")
    + entry("torpor.edge", status="provisional", extra='note = "Told."')
    + entry("soil.depth", unit="m", distribution="uniform", extra="low = 0.5\nhigh = 2.0")
    + entry("reserve.empty", 10.0, unit="g")
)
GRAM = entry("reserve.empty", 50.0, unit="g")


@pytest.fixture
def make(tmp_path):
    """`make(text, inherits)`: a child of the parent above, loaded."""

    def child(text=GRAM, *, parent="parent.toml", widening=2.0, same='"soil"', name="child"):
        (tmp_path / "parent.toml").write_text(PARENT, "utf-8")
        inherits = (
            f'\n[inherits]\nfrom = "{parent}"\nwidening = {widening}\n'
            f'not_of_the_animal = [{same}]\nnote = "x"\n'
        )
        path = tmp_path / f"{name}.toml"
        path.write_text(HEAD.format(name=name) + inherits + text, "utf-8")
        return species.load(path)

    return child


def test_what_is_not_stated_is_the_parents_and_a_surrogate(make):
    sp = make()
    assert (sp.torpor.q10, sp.torpor.edge, sp.reserve.empty) == (2.0, 1.0, 50.0)
    assert sp.borrowed == {"torpor.q10", "torpor.rate", "torpor.edge"}
    assert sp.borrowed_from == "parent mouse"
    edge = sp.parameters["torpor.edge"]
    assert edge.status == "surrogate"
    assert edge.note == "parent mouse (provisional there). Told."


def test_what_is_not_of_the_animal_stays_as_it_is(make):
    depth = make().parameters["soil.depth"]
    assert (depth.status, depth.low, depth.high, depth.note) == ("derived", 0.5, 2.0, "")
    one = make(same='"soil.depth", "torpor.q10"', name="other").parameters["torpor.q10"]
    assert (one.status, one.low) == ("derived", 1.5)


def test_ranges_are_widened_within_their_hard_ends(make):
    found = make().parameters
    q10, rate = found["torpor.q10"], found["torpor.rate"]
    assert (q10.low, q10.high) == (1.4, 4.0)  # 2 - 2 × 0.5 = 1, cut at min; 2 + 2 × 1
    assert (rate.low, rate.high) == (0.025, 0.4)  # factors of 2 become factors of 4
    same = make(widening=1.0, name="other").parameters["torpor.q10"]
    assert (same.low, same.high) == (1.5, 3.0)


def test_draws_of_what_is_not_of_the_animal_are_the_parents(make, tmp_path):
    child = make().draw(64, 3)
    parent = species.load(tmp_path / "parent.toml").draw(64, 3)
    assert (child.soil.depth == parent.soil.depth).all()
    assert child.torpor.rate.std() > parent.torpor.rate.std()


def test_a_surrogate_of_its_own_counts_as_borrowed(make):
    sp = make(GRAM + entry("torpor.edge", status="surrogate"))
    assert "torpor.edge" in sp.borrowed
    assert sp.parameters["torpor.edge"].note == ""


def test_a_sites_own_value_is_no_longer_borrowed(make, tmp_path):
    make()
    change = {"torpor.q10": {"value": 2.5, "reason": "own measurements"}}
    sp = species.load(tmp_path / "child.toml", change)
    assert sp.borrowed == {"torpor.rate", "torpor.edge"}


def test_a_grandchild_still_names_who_was_measured(make):
    make()
    sp = make(GRAM, parent="child.toml", name="grandchild")
    assert sp.parameters["torpor.edge"].note.startswith("parent mouse")
    assert sp.parameters["torpor.rate"].high == 1.6  # widened twice


def test_a_mass_is_never_borrowed(make):
    with pytest.raises(ConfigError, match=r"reserve\.empty.*never borrowed"):
        make("")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (entry("torpor.q1"), r"Did you mean 'torpor\.q10'"),
        (entry("torpor.q10", unit="K"), "unit .* has to be '1'"),
        (entry("torpor.q10", "[1.0, 2.0]"), "not of the parent's shape"),
        (entry("torpor.q10", extra='use = "check"'), "use .* has to be 'model'"),
        ("stray = 3\n", None),
    ],
)
def test_own_numbers_the_code_could_not_read(make, text, message):
    if message is None:  # a key below the last table belongs to it
        text, message = GRAM + text, "stray"
    else:
        text = GRAM + text
    with pytest.raises(ConfigError, match=message):
        make(text)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"parent": "nobody"}, r"\[inherits\] from: no species file 'nobody'"),
        ({"widening": 0.5}, r"\[inherits\]: widening"),
        ({"widening": '"wide"'}, r"\[inherits\]: widening"),
        ({"same": '"sol"'}, "not_of_the_animal, sol: .*Did you mean 'soil'"),
        ({"parent": "child.toml"}, r"circle: child\.toml → child\.toml"),
    ],
)
def test_faults_of_the_table(make, change, message):
    with pytest.raises(ConfigError, match=message):
        make(**change)


def test_two_files_that_borrow_from_each_other(make):
    with pytest.raises(ConfigError, match="no species file"):
        make(parent="other.toml")
    with pytest.raises(ConfigError, match=r"circle: other\.toml → child\.toml → other\.toml"):
        make(parent="child.toml", name="other")


def test_all_faults_at_once(make):
    with pytest.raises(ConfigError) as caught:
        make(entry("torpor.q1") + entry("torpor.edge", unit="K"), same='"sol"')
    assert len(caught.value.faults) == 4  # and the mass that is missing


def test_names_are_needed(tmp_path):
    path = tmp_path / "t.toml"
    path.write_text('schema = "riskcast.species/1"\nname = "t"\n')
    with pytest.raises(ConfigError, match="vernacular_name: is missing"):
        species.load(path)


# --- the garden dormouse --------------------------------------------------------------------------


def test_same_numbers_as_the_parent_by_name(garden_dormouse, hazel_dormouse):
    assert list(garden_dormouse.parameters) == list(hazel_dormouse.parameters)


def test_masses_are_its_own(garden_dormouse, hazel_dormouse):
    """Five times the hazel dormouse's body: not one gram may be taken from it."""
    scaled = [
        name
        for name, p in hazel_dormouse.parameters.items()
        if {"g", "g-1"} & set(p.unit.split()) and not name.startswith("reserve.energy_per")
    ]
    assert len(scaled) > 25
    same = [n for n in scaled if garden_dormouse.parameters[n] == hazel_dormouse.parameters[n]]
    assert same == []


@pytest.mark.parametrize(
    ("name", "from_g"),
    [
        ("torpor.cold_slope", 17.0),
        ("arousal.cost_at_reference", 17.0),
        ("arousal.search_cost", 17.0),
        ("arousal.awake_rate_per_day", 17.0),
        ("arousal.euthermic_rate", 28.9),
    ],
)
def test_costs_scaled_by_mass_follow_the_hazel_dormouse(
    garden_dormouse, hazel_dormouse, name, from_g
):
    """Its `where` says so: if the hazel dormouse's number changes, scale it again."""
    mine, theirs = (sp.parameters[name].value for sp in (garden_dormouse, hazel_dormouse))
    factor = (garden_dormouse.reserve.scale_mass / from_g) ** (
        hazel_dormouse.reserve.mass_exponent - 1
    )
    assert mine == pytest.approx(theirs * factor, rel=0.01)


def test_only_what_it_states_is_not_borrowed(garden_dormouse):
    content = tomllib.loads((_FOLDER / "garden_dormouse.toml").read_text("utf-8"))
    stated = {
        f"{section}.{key}"
        for section, entries in content.items()
        if isinstance(entries, dict) and section != "inherits"
        for key in entries
    }
    same = content["inherits"]["not_of_the_animal"]
    for name, parameter in garden_dormouse.parameters.items():
        if name in garden_dormouse.borrowed:
            assert parameter.status == "surrogate", name
            continue
        assert name in stated or name in same or name.partition(".")[0] in same, name


def test_the_hazel_dormouse_borrows_nothing(hazel_dormouse):
    assert hazel_dormouse.borrowed == frozenset()
    assert hazel_dormouse.borrowed_from == ""
