"""Section [page]: the page for a phone. A program of its own reads it, the daemon does not."""

from __future__ import annotations

import ipaddress
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, SecretStr, model_validator

from coalminder.settings.quantities import Place, check_pair


class PageSettings(BaseModel):
    """Where the page is served, who may look at it, and what it calls old."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        description="address to listen on; 127.0.0.1: this machine only, 0.0.0.0: the whole network",
    )
    port: int = Field(default=8480, ge=0, le=65535, description="TCP port; 0 takes any free one")
    names: tuple[str, ...] = Field(
        default=(),
        max_length=16,
        description="further names under which phones reach the page; addresses, localhost, this machine's "
        "name and names in .local are known",
    )
    login: bool = Field(default=True, description="false: no password, only when host is this machine")
    password_hash: SecretStr | None = Field(
        default=None, description="what 'coalminder page --set-password FILE' wrote, as text"
    )
    password_hash_file: Place | None = Field(default=None, description="or the file that it wrote")
    session_hours: FiniteFloat = Field(
        default=24.0, ge=0.5, le=720.0, description="a login lasts so many hours"
    )
    certificate_file: Place | None = Field(default=None, description="TLS certificate, PEM; with key_file")
    key_file: Place | None = Field(default=None, description="key of the TLS certificate, PEM")
    old_after_s: FiniteFloat = Field(
        default=15.0,
        ge=6.0,
        le=600.0,
        description="what was said longer ago is marked as old, s; twice [mqtt] state_every_s or more",
    )
    history_points: int = Field(
        default=720, ge=60, le=5000, description="points of the plot kept in memory; older ones are thinned"
    )
    units: Literal["metric", "us"] = Field(default="metric", description="metric: °C, kg; us: °F, lb")
    mqtt_username: str | None = Field(
        default=None, description="the page's own user at the broker; absent: that of [mqtt]"
    )
    mqtt_password_file: Place | None = Field(
        default=None, description="file whose first line is the password of mqtt_username"
    )

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach the page."""
        return is_loopback(self.host)

    @model_validator(mode="after")
    def _safe(self) -> Self:
        if not self.login and not self.loopback:
            raise ValueError(f"login = false needs host = '127.0.0.1', not '{self.host}'; set a password")
        check_pair(self.certificate_file, self.key_file)
        if self.password_hash is not None and self.password_hash_file is not None:
            raise ValueError("give password_hash or password_hash_file, not both")
        return self


def is_loopback(host: str) -> bool:
    """Whether `host` is an address of this machine that no other can reach."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
