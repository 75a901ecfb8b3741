"""What the rig's tables share."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Table(BaseModel):
    """One table of a rig: frozen, and strict about its keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")
