"""The ground every settings table stands on."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Name", "NonNegative", "Positive", "Ppm", "Strict"]

Positive = Annotated[float, Field(gt=0)]
NonNegative = Annotated[float, Field(ge=0)]
Ppm = Annotated[float, Field(ge=0, le=1_000_000)]
Name = Annotated[str, Field(min_length=1, max_length=60)]


class Strict(BaseModel):
    """A settings table: no coercion, no unknown keys, no infinities, no changes."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False
    )
