"""The list of found animals: its faults name the list, and no key of a site file."""

from __future__ import annotations

import numpy as np
import pytest

from riskcast.animals import read_found
from riskcast.base.errors import InputMissingError, NoUsableRecordsError
from riskcast.site import Place

BOUNDS = {"adult": (10.0, 45.0), "juvenile": (5.0, 30.0), "nestling": (1.0, 12.0)}
HEAD = "name,date_found,event_date,body_mass_g,life_stage,in_care"
GOOD = "Acorn,2025-10-20,2025-10-25,11.5,juvenile,yes"


@pytest.fixture
def faults(tmp_path):
    """The faults of a list, whether or not a row of it can be used."""

    def read(*rows, head=HEAD):
        path = tmp_path / "found.csv"
        path.write_text("\n".join([head, *rows]) + "\n", "utf-8")
        try:
            return read_found(
                path,
                Place.model_construct(timezone="Europe/London"),
                as_of=np.datetime64("2025-10-27T23:59:59"),
                live=False,
                bounds=BOUNDS,
            ).faults
        except NoUsableRecordsError as error:
            return error.faults

    return read


@pytest.mark.parametrize("date", ["26/10/2025", "26 Oct 2025", "05/06/2025"])
@pytest.mark.parametrize("good", [(), (GOOD,)])
def test_a_bad_date_says_how_to_write_it(faults, date, good):
    (fault,) = faults(*good, f"Elder,2025-10-20,{date},14,juvenile,no")
    assert fault.source == "found.csv"
    assert fault.remedy == "Write it as YYYY-MM-DD."


def test_so_does_a_bad_day_of_finding(faults):
    (fault,) = faults(GOOD, "Elder,20/10/2025,2025-10-21,14,juvenile,no")
    assert str(fault) == (
        'row 3, date_found "20/10/2025": no date as YYYY-MM-DD. Write it as YYYY-MM-DD.'
    )


@pytest.mark.parametrize(
    ("rows", "head", "remedy"),
    [
        ((GOOD, "Elder,,2025-10-21,0.014,juvenile,no"), HEAD, "Kilograms (14 g)? Give it in g."),
        ((GOOD,), HEAD.replace("event_date", "when"), "Head the columns name, date_found, "),
        (("Acorn,,2025-10-25,11.5,1",), "who,date_found,event_date,body_mass_g,box", "Head the"),
        (("%PDF-1.4",), "%PDF-1.4", "Name the list as a .csv"),
    ],
    ids=["unit", "no date column", "no name column", "a PDF"],
)
def test_no_remedy_names_a_key_of_a_site_file(faults, rows, head, remedy):
    found = faults(*rows, head=head)
    assert any(fault.remedy.startswith(remedy) for fault in found), found
    for fault in found:
        assert "weights." not in str(fault)
        assert "site file" not in fault.source + str(fault)


def test_a_list_that_is_not_there(tmp_path):
    with pytest.raises(InputMissingError, match=r"found\.csv") as caught:
        read_found(
            tmp_path / "found.csv",
            Place.model_construct(timezone="Europe/London"),
            as_of=np.datetime64("2025-10-27"),
            live=False,
            bounds=BOUNDS,
        )
    assert "weights." not in str(caught.value)
