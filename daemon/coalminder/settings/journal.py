"""Section [journal] of the configuration: where the record of each cook is kept and how it is written."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from coalminder.settings.quantities import Duration, Place


class JournalSection(BaseModel):
    """[journal]: one file per cook."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    directory: Place = Field(
        Path("/var/lib/coalminder"), description="folder of the records, one file per cook"
    )
    commit_every: Duration = Field(
        2.0, ge=0.2, le=4.0, description="readings reach the disk this often, s; alarms at once"
    )
    resume_within: Duration = Field(
        6 * 3600.0, ge=0.0, le=48 * 3600.0, description="a cook that stopped longer ago is not resumed, s"
    )
    keep_cooks: int = Field(100, ge=1, le=10_000, description="records kept; older ones are deleted")
