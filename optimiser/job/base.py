"""What every table of the job is made of. In: -. Out: Model, and the kinds of number its fields hold."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

Price = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NonNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Factor = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)]


def _no_share(value: float) -> float:
    if value < 1:
        raise ValueError(f"is below one per cent; for {value * 100:g} per cent write {value * 100:g}")
    return value


PerCent = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False), AfterValidator(_no_share)]
"""More than nought and at most a hundred; a share such as 0.9 is refused, since 90 is meant."""


class Model(BaseModel):
    """Frozen, strict about unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
