"""What the rig's tables share."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

LEAST, MOST = 1e-9, 1e15
"""What a figure of a rig may be, in any unit: anything beyond is a slip of the pen, and no arithmetic overflows."""

Positive = Annotated[float, Field(ge=LEAST, le=MOST, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, le=MOST, allow_inf_nan=False)]


class Table(BaseModel):
    """One table of a rig: frozen, and strict about its keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")
