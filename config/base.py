"""What every part of the site file is made of."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo

LoopId = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+$", max_length=40)]


def _anchor(path: Path, info: ValidationInfo) -> Path:
    folder = (info.context or {}).get("folder")
    return Path(folder) / path if folder is not None else path


SitePath = Annotated[Path, AfterValidator(_anchor)]
"""A file on this machine; a relative one lies beside the site file that names it."""


class Part(BaseModel):
    """Base of every part of the site: frozen, unknown keys refused, no number read from a string by accident."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)
