"""Alternatives of a job, to be compared. In: parsed TOML tables. Out: Alternative, frozen."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, Field

from .base import Model


def _some_words(value: str) -> str:
    if not value.strip():
        raise ValueError("is blank; write a name to call this alternative by")
    return value


class Alternative(Model):
    """The job with some of its values changed; ``[[alternatives]]`` in the job file."""

    name: Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_some_words)] = Field(
        description="what this alternative is called, each name once"
    )
    num_drivers: int | None = Field(None, ge=1, le=99, description="use exactly so many drivers")
    overrides: dict[str, Any] = Field(
        default_factory=dict,
        description="values instead of the job's, by key; * stands for every name of a table",
    )
    without: tuple[str, ...] = Field(
        (), description='what the job lists and this alternative does not have, such as "drivers.60 W"'
    )
