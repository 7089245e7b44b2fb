"""Where the weather comes from: the section ``[weather]`` and those inside it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import platformdirs
from pydantic import Field, ValidationInfo, field_validator

from riskcast.site.fields import (
    ForecastSources,
    HistorySource,
    Number,
    OurFile,
    OurPath,
    Switch,
    Text,
    WebAddress,
    Whole,
    above_zero,
    between,
    matches,
    refuse,
)
from riskcast.site.section import Section

__all__ = ["MetNorway", "OpenMeteo", "TableLayout", "Weather"]

_MODEL_NAME = matches(
    r"[a-z0-9_]+", "is no model's name.", 'Write it as in the address, "ecmwf_ifs025".'
)
ModelName = Annotated[Text, _MODEL_NAME]


class OpenMeteo(Section):
    """Addresses and models of the service; each can be pointed elsewhere.

    Models are named here because the service renames them now and then. `history_model` is
    one reanalysis throughout: a mixture that changes model in some year would make that year
    look like a change of climate.

    calls_a_day : what the service's terms allow you, in its own counting of calls
    """

    forecast_url: WebAddress = "https://api.open-meteo.com/v1/forecast"
    ensemble_url: WebAddress = "https://ensemble-api.open-meteo.com/v1/ensemble"
    archive_url: WebAddress = "https://archive-api.open-meteo.com/v1/archive"
    previous_runs_url: WebAddress = "https://previous-runs-api.open-meteo.com/v1/forecast"
    forecast_model: ModelName = "best_match"
    ensemble_model: ModelName = "ecmwf_ifs025"
    history_model: ModelName = "era5_seamless"
    calls_a_day: Annotated[Whole, above_zero("calls")] = 10_000


class MetNorway(Section):
    """Address of the service, and who asks: the provider wants a way to reach you."""

    url: WebAddress = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
    user_agent: (
        Annotated[
            Text,
            matches(
                r".*[^\s@]+@[^\s@]+\.[^\s@]+.*|.*https?://\S+.*",
                "names no way to reach you; the provider turns such requests away.",
                'Write it as "riskcast (keeper@example.org)".',
            ),
        ]
        | None
    ) = None


class TableLayout(Section):
    """How to read a text table of a station or a logger that does not say it itself.

    columns : their heading → our name with its unit, ``"air_temperature (degC)"``
    time : the heading of the stamp, or those of its parts in the order of `time_format`;
        empty = a column called time
    time_format : ``"YYYY-MM-DD hh:mm"``, ``"DD.MM.YYYY hh"``; None = ISO 8601
    utc_offset_hours : what the clock of the stamps is ahead of UTC, all year
    missing : texts that stand for no value
    latitude, longitude, elevation_m : where it was measured; None = at the site
    """

    columns: dict[str, Text] = Field(default_factory=dict)
    time: tuple[Text, ...] = ()
    time_format: Text | None = None
    utc_offset_hours: Annotated[Number, between(-12, 14, "hours")] = 0.0
    missing: tuple[Text, ...] = ()
    latitude: Annotated[Number, between(-90, 90, "degrees")] | None = None
    longitude: Annotated[Number, between(-180, 180, "degrees")] | None = None
    elevation_m: Annotated[Number, between(-430, 8850, "m")] | None = None


class Weather(Section):
    """Where the weather comes from: services by name, or absolute paths, folders or patterns.

    forecast : one source, or several in the order in which they are tried
    trend_adjusted : shift past years by the trend of their own means
    cache : folder for what was fetched; None = the platform's folder for such things
    table, logger_table : how to read text tables that do not say it themselves
    """

    forecast: ForecastSources = ("open-meteo",)
    history: HistorySource = "open-meteo"
    past_years: Annotated[Whole, between(1, 100, "years")] = 20
    max_age_hours: Annotated[Number, above_zero("hours")] = 36.0
    trend_adjusted: Switch = False
    logger: OurFile | None = None
    cache: OurPath | None = None
    open_meteo: OpenMeteo = Field(default=OpenMeteo(), alias="open-meteo")
    met_norway: MetNorway = Field(default=MetNorway(), alias="met-norway", validate_default=True)
    table: TableLayout = TableLayout()
    logger_table: TableLayout = TableLayout()

    @field_validator("met_norway")
    @classmethod
    def _says_who_asks(cls, value: MetNorway, info: ValidationInfo) -> MetNorway:
        if "met-norway" in info.data.get("forecast", ()) and value.user_agent is None:
            raise refuse(
                "the provider answers only those who say who asks; user_agent is missing.",
                'Add user_agent = "riskcast (keeper@example.org)" with an address of yours.',
            )
        return value

    @property
    def cache_folder(self) -> Path:
        """The folder for what was fetched, whether the file names one or not."""
        return self.cache or platformdirs.user_cache_path("riskcast")
