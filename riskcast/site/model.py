"""The sections of a site file as frozen models. Field names are the keys of the file.

Built by `load_site`, which also finds the files they name; built by hand in a notebook or a
test, paths are taken as they are.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

import platformdirs
from pydantic import (
    BeforeValidator,
    Field,
    PrivateAttr,
    SecretStr,
    ValidationInfo,
    field_validator,
)

from riskcast.site.fields import (
    Address,
    DateFormat,
    Day,
    MonthDay,
    Number,
    NumberOrTable,
    OurFile,
    OurPath,
    SecretFile,
    Sender,
    SpeciesName,
    Switch,
    Text,
    Timezone,
    Weekday,
    Whole,
    above_zero,
    between,
    is_loopback,
    matches,
    not_empty,
    refuse,
)
from riskcast.site.password import find_password
from riskcast.site.section import Section
from riskcast.site.sources import Weather

__all__ = [
    "SCHEMA",
    "ArchivePlace",
    "Habitat",
    "Mail",
    "OurColumn",
    "Override",
    "Place",
    "Recipient",
    "RiskRules",
    "Site",
    "SpeciesChoice",
    "Visits",
    "Weights",
]

SCHEMA = "riskcast.site/1"

OurColumn = Literal[
    "event_date",
    "organism_id",
    "box",
    "sex",
    "life_stage",
    "body_mass_g",
    "activity",
    "reproductive_condition",
    "remarks",
]

# The two ports whose meaning RFC 8314 (2018) fixes; any other port goes with any security.
_PORT_OF = {"tls": 465, "starttls": 587}


class Place(Section):
    """Where the site is. Degrees north and east; metres above the sea."""

    id: Annotated[
        Text,
        matches(
            r"[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?",
            "may hold a to z, 0 to 9 and single dashes inside, 64 signs at most.",
            'Write it as "alder-hanger".',
        ),
    ]
    name: Text
    latitude: Annotated[Number, between(-90, 90, "degrees", "Degrees north of the equator.")]
    longitude: Annotated[Number, between(-180, 180, "degrees", "West is below zero: 356 is -4.")]
    elevation_m: Annotated[Number, between(-430, 8850, "m", "From the lowest shore to the top.")]
    timezone: Timezone
    boxes: Annotated[Whole, above_zero("boxes")] | None = None
    language: Literal["en"] = "en"

    @field_validator("latitude")
    @classmethod
    def _where_winter_is_in_january(cls, value: float) -> float:
        if value < 0:
            raise refuse(
                "lies south of the equator, where winter is in July.",
                "riskcast counts winters from August to May.",
            )
        return value


class Override(Section):
    """A site's own value of a parameter of the species file, and why."""

    value: NumberOrTable
    reason: Text


class SpeciesChoice(Section):
    """A species that ships with riskcast, by name, or the path of a file of the same form."""

    name: SpeciesName = "hazel_dormouse"
    override: dict[str, Override] = Field(default_factory=dict)


class Habitat(Section):
    """Where the animals sleep, and what grows around them."""

    nest_depth_cm: Annotated[Number, between(0, 100, "cm")] = 3.0
    litter_depth_cm: Annotated[Number, between(0, 100, "cm")] = 6.0
    canopy: Literal["deciduous", "evergreen", "open"] = "deciduous"
    plants: tuple[Text, ...] = ()
    food_dates: OurFile | None = None


class Weights(Section):
    """The sheets of the box checks, and how to read them.

    columns : heading in the sheet → our name, where they differ
    bag_mass_g : mass of the weighing bag, needed where `bag_included`
    """

    files: Annotated[tuple[OurFile, ...], BeforeValidator(not_empty)]
    date_format: DateFormat = "YYYY-MM-DD"
    unit: Literal["g", "kg", "mg"] = "g"
    bag_included: Switch = False
    bag_mass_g: Annotated[
        Annotated[Number, above_zero("g")] | None, Field(validate_default=True)
    ] = None
    columns: dict[str, OurColumn] = Field(default_factory=dict)

    @field_validator("bag_mass_g")
    @classmethod
    def _bag_has_a_mass(cls, value: float | None, info: ValidationInfo) -> float | None:
        if info.data.get("bag_included") and value is None:
            raise refuse(
                "the weights include the bag, but its mass is not given.",
                "Weigh the empty bag: bag_mass_g = 12.5, say.",
            )
        return value


class Visits(Section):
    """The planned box checks, and what moving one takes.

    notice_days : clear days a team needs to settle a new date
    min_gap_days : no visit sooner than this after the last
    weekdays : days on which people can come; empty = any
    season : first and last day of the year for box checks, "MM-DD"; may run over New Year
    """

    planned: tuple[Day, ...] = ()
    notice_days: Annotated[Whole, between(0, 60, "days")] = 2
    min_gap_days: Annotated[Whole, between(0, 365, "days")] = 14
    weekdays: tuple[Weekday, ...] = ()
    season: tuple[MonthDay, MonthDay] = ("04-01", "11-30")

    @field_validator("planned")
    @classmethod
    def _in_order(cls, value: tuple[Day, ...]) -> tuple[Day, ...]:
        for earlier, later in pairwise(value):
            if later <= earlier:
                raise refuse(
                    f"{later} comes after {earlier}, but is not later.",
                    "List each planned visit once, earliest first.",
                )
        return value

    @field_validator("weekdays")
    @classmethod
    def _each_once(cls, value: tuple[Weekday, ...]) -> tuple[Weekday, ...]:
        if len(set(value)) != len(value):
            raise refuse("names a day twice.", "List each weekday once.")
        return value


class RiskRules(Section):
    """The group's own limits. There is no default for `rehab_below_g`: a vet sets it."""

    target_mass_g: Annotated[Number, above_zero("g")] | None = None
    rehab_below_g: Annotated[Number, above_zero("g")] | None = None


class Recipient(Section):
    """One reader of the alerts."""

    name: Text
    address: Address
    role: Literal["monitor", "coordinator", "rehabilitator"]


class Mail(Section):
    """The mail server. Field order matters: a check sees the fields above it.

    The password is in no field: `password` fetches it when it is needed.
    """

    host: Annotated[Text, matches(r"\S+", "is no host name.", 'Write it as "smtp.example.org".')]
    port: Annotated[Whole, between(1, 65535, "(a port number)")] = _PORT_OF["tls"]
    security: Annotated[Literal["tls", "starttls", "none"], Field(validate_default=True)] = "tls"
    username: Text | None = None
    password_file: SecretFile | None = Field(default=None, repr=False, exclude=True)
    password_command: SecretStr | None = Field(default=None, repr=False, exclude=True)
    from_: Sender = Field(alias="from")
    reply_to: Address | None = None

    def password(self) -> str | None:
        """From password_file, password_command or RISKCAST_SMTP_PASSWORD; None if none is set.

        Raises
        ------
        ConfigError
            The file or the command gives no password; neither is quoted in the error.
        """
        command = self.password_command
        return find_password(
            self.password_file, command.get_secret_value() if command is not None else None
        )

    @field_validator("security")
    @classmethod
    def _fits_host_and_port(cls, value: str, info: ValidationInfo) -> str:
        port, host = info.data.get("port"), info.data.get("host")
        if port is not None:
            _check_port(port, value)
        if value == "none" and host is not None and not is_loopback(host):
            raise refuse(
                "would send mail and password in the clear to another machine.",
                'Use "tls" with port 465 or "starttls" with port 587.',
            )
        return value

    @field_validator("password_command")
    @classmethod
    def _one_way_to_the_password(cls, value: Any, info: ValidationInfo) -> Any:
        if value is not None and info.data.get("password_file") is not None:
            raise refuse("password_file is given too.", "Keep one of the two.")
        return value


def _check_port(port: int, security: str) -> None:
    for secure, its_port in _PORT_OF.items():
        if port == its_port and security != secure:
            other = _PORT_OF.get(security)
            way = f", or port = {other}" if other else ""
            raise refuse(f'port {port} goes with "{secure}".', f'Set security = "{secure}"{way}.')


class ArchivePlace(Section):
    """Where runs and messages are kept; None = the platform's folder for such things."""

    folder: OurPath | None = None


class Site(Section):
    """One site file.

    Attributes
    ----------
    path, folder : the file it was read from, absolute, and the folder of that file
    """

    schema_: Literal["riskcast.site/1"] = Field(alias="schema")
    place: Place = Field(alias="site")
    species: SpeciesChoice = SpeciesChoice()
    habitat: Habitat = Habitat()
    weights: Weights
    weather: Weather = Weather()
    visits: Visits = Visits()
    risk: RiskRules = RiskRules()
    recipients: tuple[Recipient, ...] = ()
    mail: Mail | None = None
    archive: ArchivePlace = ArchivePlace()

    _path: Path = PrivateAttr(default=Path("site.toml"))

    def model_post_init(self, context: Any, /) -> None:
        if context:
            self._path = context["path"]

    @property
    def path(self) -> Path:
        return self._path

    @property
    def folder(self) -> Path:
        return self._path.parent

    @property
    def override_values(self) -> dict[str, dict[str, Any]]:
        """The site's own values of species parameters, as `species.load` takes them."""
        return {key: change.model_dump() for key, change in self.species.override.items()}

    @property
    def archive_folder(self) -> Path:
        """The folder of this site's archive, whether the file names one or not."""
        return self.archive.folder or platformdirs.user_state_path("riskcast") / self.place.id

    @field_validator("recipients")
    @classmethod
    def _each_once(cls, value: tuple[Recipient, ...]) -> tuple[Recipient, ...]:
        seen: set[tuple[str, str]] = set()
        for person in value:
            key = (person.address.casefold(), person.role)
            if key in seen:
                raise refuse(
                    f"{person.address} is listed twice as {person.role}.",
                    "Keep one: nobody should get the same mail twice.",
                )
            seen.add(key)
        return value
