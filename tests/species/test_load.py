"""The species file: complete, sourced, frozen, and with faults told all at once."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast import species
from riskcast.base.errors import ConfigError, InputMissingError
from riskcast.species.load import _FOLDER

ENTRY = """
schema = "riskcast.species/1"
name = "t"
scientific_name = "T t"
vernacular_name = "t"
[torpor.a]
value = {value}
{extra}
unit = "1"
distribution = "{distribution}"
status = "{status}"
source = "{source}"
where = "somewhere"
"""


def write(folder, *, value=1.0, extra="", distribution="fixed", status="derived", source="memory"):
    path = folder / "t.toml"
    path.write_text(
        ENTRY.format(
            value=value, extra=extra, distribution=distribution, status=status, source=source
        )
    )
    return path


def test_every_entry_has_a_source_and_every_source_is_used(hazel_dormouse):
    text = "".join((_FOLDER / f"{name}.toml").read_text("utf-8") for name in species.available())
    assert all(p.source in species.sources() for p in hazel_dormouse.parameters.values())
    assert [key for key in species.sources() if key not in text] == []


@pytest.mark.parametrize("name", species.available())
def test_values_from_judgement_and_memory_are_never_called_published(name):
    weak = {"judgement", "memory", "practice"}
    wrong = [
        name
        for name, p in species.load(name).parameters.items()
        if p.source in weak and p.status in ("published", "derived")
    ]
    assert wrong == []


def test_attributes_are_floats_then_arrays(hazel_dormouse):
    assert hazel_dormouse.torpor.q10 == 2.1
    drawn = hazel_dormouse.draw(256, 1)
    assert drawn.torpor.q10.shape == (256,)
    assert drawn.torpor.set_point == 0.0
    assert drawn.columns().torpor.q10.shape == (256, 1)


def test_species_is_frozen_and_names_the_nearest(hazel_dormouse):
    with pytest.raises(AttributeError, match="read only"):
        hazel_dormouse.torpor.q10 = 3.0
    with pytest.raises(AttributeError, match="did you mean 'q10'"):
        _ = hazel_dormouse.torpor.q1
    with pytest.raises(AttributeError, match="no section"):
        _ = hazel_dormouse.torpr


def test_site_override_is_fixed_and_says_why():
    change = {"torpor.q10": {"value": 1.9, "reason": "own measurements, report 3"}}
    sp = species.load("hazel_dormouse", change)
    assert sp.torpor.q10 == 1.9
    assert sp.parameters["torpor.q10"].status == "site"
    assert "report 3" in sp.parameters["torpor.q10"].note
    assert sp.draw(8, 0).torpor.q10 == 1.9


def test_override_of_an_unknown_parameter_names_the_nearest():
    with pytest.raises(ConfigError, match=r"Did you mean 'torpor\.q10'"):
        species.load("hazel_dormouse", {"torpor.q1": {"value": 1.9, "reason": "x"}})


@pytest.mark.parametrize("value", [-5.0, [1.0, 2.0]])
def test_override_outside_the_hard_ends_or_of_another_shape(value):
    with pytest.raises(ConfigError, match=r"torpor\.q10 needs a value"):
        species.load("hazel_dormouse", {"torpor.q10": {"value": value, "reason": "x"}})


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"source": "nobody"}, "not in sources.toml"),
        ({"status": "certain"}, "status"),
        ({"distribution": "normal"}, "needs one value, low and high"),
        ({"distribution": "normal", "extra": "low = 2.0\nhigh = 3.0"}, "between low and high"),
        ({"extra": "low = 0.5\nhigh = 3.0"}, "a fixed value has no low"),
        ({"distribution": "lognormal", "extra": "low = -1.0\nhigh = 3.0"}, "above zero"),
        ({"extra": "colour = 3"}, "colour"),
    ],
)
def test_faults_of_a_species_file(tmp_path, change, message):
    with pytest.raises(ConfigError, match=message):
        species.load(write(tmp_path, **change))


def test_a_missing_species_file_lists_what_there_is():
    with pytest.raises(InputMissingError, match="hazel_dormouse"):
        species.load("hazel_dormous")


def test_broken_toml(tmp_path):
    path = tmp_path / "t.toml"
    path.write_text("[torpor")
    with pytest.raises(ConfigError, match="not a TOML file"):
        species.load(path)


def test_all_central_values_are_finite(hazel_dormouse):
    for parameter in hazel_dormouse.parameters.values():
        if isinstance(parameter.value, float):
            assert np.isfinite(parameter.value)


def test_every_model_parameter_is_read_by_the_code(hazel_dormouse):
    """A number that nothing reads must say so (use = "check"), or an override would do nothing."""
    package = _FOLDER.parent
    code = "\n".join(
        path.read_text("utf-8") for path in package.rglob("*") if path.suffix in (".py", ".j2")
    )
    by_pattern = ("food.", "weights.", "humidity.")  # read as f"{plant}_sum", f"{stage}_min" …
    unread = [
        name
        for name, parameter in hazel_dormouse.parameters.items()
        if parameter.use == "model"
        and not name.startswith(by_pattern)
        and not name.endswith("_edges")
        and f".{name.partition('.')[2]}" not in code
    ]
    assert unread == []


def test_check_only_numbers_are_not_read(hazel_dormouse):
    package = _FOLDER.parent
    code = "\n".join(path.read_text("utf-8") for path in package.rglob("*.py"))
    read = [
        name
        for name, parameter in hazel_dormouse.parameters.items()
        if parameter.use == "check" and f".{name.partition('.')[2]}" in code
    ]
    assert read == []
