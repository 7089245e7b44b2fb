"""One number of a species file, and one entry of the bibliography."""

from __future__ import annotations

from typing import Any, Literal

import pydantic

__all__ = ["Distribution", "Parameter", "Source", "Status", "plain_error"]

Status = Literal["published", "derived", "surrogate", "common-practice", "provisional", "site"]
Distribution = Literal["normal", "lognormal", "uniform", "triangular", "fixed"]


class Parameter(pydantic.BaseModel):
    """One entry of a species file. `low` and `high` are the 10 % and 90 % quantiles drawn.

    use : "check" = no result reads it; it is there for tests to hold results against
    """

    model_config = pydantic.ConfigDict(frozen=True, extra="forbid")

    value: float | list[Any]
    low: float | None = None
    high: float | None = None
    min: float | None = None
    max: float | None = None
    unit: str
    distribution: Distribution
    source: str
    where: str
    status: Status
    note: str = ""
    use: Literal["model", "check"] = "model"

    @pydantic.model_validator(mode="after")
    def _range_makes_sense(self) -> Parameter:
        if self.distribution == "fixed":
            if self.low is not None or self.high is not None:
                raise ValueError("a fixed value has no low and high: state a distribution")
            return self
        if isinstance(self.value, list) or self.low is None or self.high is None:
            raise ValueError(f"a {self.distribution} parameter needs one value, low and high")
        if not self.low <= self.value <= self.high or self.low == self.high:
            raise ValueError("value has to lie between low and high, and these have to differ")
        if self.distribution == "lognormal" and self.low <= 0:
            raise ValueError("a lognormal parameter is above zero")
        return self


class Source(pydantic.BaseModel):
    """One entry of the bibliography; `read` says what was in hand when the number was taken."""

    model_config = pydantic.ConfigDict(frozen=True, extra="forbid")

    cite: str
    read: str


def plain_error(error: Exception) -> str:
    """A pydantic error in one line."""
    if isinstance(error, pydantic.ValidationError):
        return "; ".join(
            f"{'.'.join(map(str, e['loc'])) or 'entry'}: {e['msg'].removeprefix('Value error, ')}"
            for e in error.errors()
        )
    return str(error)
