"""What all sections of a site file have in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

__all__ = ["Section"]


class Section(BaseModel):
    """Frozen; an unknown key is a fault; what was typed is not repeated by pydantic."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        hide_input_in_errors=True,
        validate_by_name=True,
        validate_by_alias=True,
    )
