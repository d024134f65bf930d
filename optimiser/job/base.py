"""What every table of the job is made of. In: -. Out: Model, and the kinds of number its fields hold."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Price = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NonNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Factor = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)]


class Model(BaseModel):
    """Frozen, strict about unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
