"""What every table of a visit file is: its fields, and no others."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """A table of the file: unknown fields are refused, so that a slip of the pen is not silently ignored."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)
