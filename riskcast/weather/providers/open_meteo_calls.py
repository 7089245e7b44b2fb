"""What a request counts against Open-Meteo's limits: its own counting of calls."""

from __future__ import annotations

__all__ = ["call_weight", "members_of"]

# The server counts each member as a variable (EnsembleController.swift). Members with the
# control run, from the provider's list of models; an unknown one counts as the largest.
_MEMBERS = {
    "icon_seamless": 40,
    "icon_global": 40,
    "icon_eu": 40,
    "icon_d2": 20,
    "gfs_seamless": 31,
    "gfs025": 31,
    "gfs05": 31,
    "ecmwf_ifs025": 51,
    "ecmwf_aifs025": 51,
    "gem_global": 21,
}
_MOST_MEMBERS = 51

# One call is ten variables for two weeks; longer or wider ones count in proportion.
_VARIABLES_A_CALL = 10.0
_DAYS_A_CALL = 14.0


def call_weight(variables: int, models: int, days: int) -> float:
    """What one request for one place counts against the provider's limits.

    Parameters
    ----------
    variables : names in ``hourly``
    models : models, times their members where it is an ensemble
    days : days asked for

    Returns
    -------
    float
        max(1, v / 10, v / 10 × days / 14) with v = variables × models: ForecastApiResult in
        the server's source. Ten years of six variables are 157 calls.
    """
    wide = variables * models / _VARIABLES_A_CALL
    return max(1.0, wide, wide * days / _DAYS_A_CALL)


def members_of(model: str) -> int:
    """Members of an ensemble with its control run; the most there are for an unknown one."""
    return _MEMBERS.get(model, _MOST_MEMBERS)
