"""What does the nest feel, what are the nights like, what is there to eat, how long is the day?"""

from __future__ import annotations

from riskcast.habitat.calibrate import LitterFit, calibrate_litter
from riskcast.habitat.column import (
    Column,
    conduct,
    litter_column,
    steady_profile,
    surface_in_balance,
)
from riskcast.habitat.food import food_dates, food_share
from riskcast.habitat.humidity import (
    dew_point,
    nest_vapour_pressure_deficit,
    saturation_vapour_pressure,
    saturation_vapour_pressure_fao56,
    vapour_pressure_deficit,
)
from riskcast.habitat.nest import (
    SPIN_UP_DAYS,
    box_temperature,
    canopy_air,
    carried_on,
    nest_temperature,
)
from riskcast.habitat.nights import autumn_food_left, feeding_share, nights
from riskcast.habitat.own_dates import STAGES, OwnDates, read_own_dates
from riskcast.habitat.phenology import (
    chilling_days,
    first_day_above,
    generic_requirement,
    thermal_time,
)
from riskcast.habitat.snow import degree_day_snow, snow_on_ground, snow_water
from riskcast.habitat.soil import (
    damping_depth,
    departure_left,
    litter_conductivity,
    litter_heat_capacity,
    steady_interfaces,
    temperature_step,
    temperature_wave,
)
from riskcast.habitat.spells import (
    DEFINITIONS,
    SpellDefinition,
    calendar_limits,
    limits_of,
    spell_counts,
    warm_spells,
    winter_years,
)

__all__ = [
    "DEFINITIONS",
    "SPIN_UP_DAYS",
    "STAGES",
    "Column",
    "LitterFit",
    "OwnDates",
    "SpellDefinition",
    "autumn_food_left",
    "box_temperature",
    "calendar_limits",
    "calibrate_litter",
    "canopy_air",
    "carried_on",
    "chilling_days",
    "conduct",
    "damping_depth",
    "degree_day_snow",
    "departure_left",
    "dew_point",
    "feeding_share",
    "first_day_above",
    "food_dates",
    "food_share",
    "generic_requirement",
    "limits_of",
    "litter_column",
    "litter_conductivity",
    "litter_heat_capacity",
    "nest_temperature",
    "nest_vapour_pressure_deficit",
    "nights",
    "read_own_dates",
    "saturation_vapour_pressure",
    "saturation_vapour_pressure_fao56",
    "snow_on_ground",
    "snow_water",
    "spell_counts",
    "steady_interfaces",
    "steady_profile",
    "surface_in_balance",
    "temperature_step",
    "temperature_wave",
    "thermal_time",
    "vapour_pressure_deficit",
    "warm_spells",
    "winter_years",
]
