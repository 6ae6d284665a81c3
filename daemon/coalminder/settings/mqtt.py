"""Section [mqtt]: the broker, and what the phone may ask through it."""

from __future__ import annotations

import ipaddress
import re
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, SecretStr, field_validator, model_validator

from coalminder.settings.quantities import Place, check_pair


class MqttSettings(BaseModel):
    """How to reach the broker, how often to tell, and what commands may ask."""

    model_config = ConfigDict(extra="forbid")

    enabled: bool = Field(default=True, description="false: tend without a broker")
    host: str = Field(default="127.0.0.1", min_length=1, description="name or address of the broker")
    port: int = Field(default=1883, ge=1, le=65535, description="TCP port; 8883 is usual with TLS")
    tls: bool = Field(default=False, description="true: TLS, the broker's certificate is checked")
    ca_file: Place | None = Field(
        default=None, description="certificate authority of the broker; without it the system's are used"
    )
    certificate_file: Place | None = Field(
        default=None, description="own certificate, PEM, for a broker that asks for one; with key_file"
    )
    key_file: Place | None = Field(
        default=None, description="key of the own certificate, PEM, without a passphrase"
    )
    username: str | None = Field(default=None, description="user at the broker")
    password: SecretStr | None = Field(
        default=None,
        description="password; better a file 'mqtt_password' handed over by systemd's LoadCredential=",
    )
    password_file: Place | None = Field(default=None, description="file whose first line is the password")
    client_id: str = Field(default="", max_length=64, description="MQTT client id; empty: coalminder-<grill>")
    mqtt_version: Literal["auto", "5", "3.1.1"] = Field(
        default="auto", description="auto: MQTT 5, and 3.1.1 when the broker cannot"
    )
    keepalive_s: int = Field(
        default=15, ge=5, le=600, description="s; a silent broker is given up after about twice this"
    )
    connect_timeout_s: FiniteFloat = Field(
        default=5.0, ge=0.5, le=60.0, description="s to wait for the broker to answer"
    )
    retry_max_s: FiniteFloat = Field(
        default=5.0, ge=0.5, le=300.0, description="longest wait between two tries, s"
    )
    state_every_s: FiniteFloat = Field(
        default=5.0, ge=1.0, le=30.0, description="state is sent at least this often, s"
    )
    discovery: bool = Field(default=True, description="announce the grill to home hubs")
    discovery_prefix: str = Field(
        default="homeassistant",
        pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$",
        max_length=64,
        description="topic where home hubs look",
    )
    discovery_name: str = Field(
        default="", max_length=64, description="name of the grill in a hub; empty: that of [grill]"
    )
    stale_s: FiniteFloat = Field(
        default=30.0, ge=5.0, le=600.0, description="commands older than this are refused, s"
    )
    wood_max_kg: FiniteFloat = Field(
        default=0.5, gt=0.0, le=5.0, description="most wood one command may report, kg"
    )
    charcoal_max_kg: FiniteFloat = Field(
        default=4.0, gt=0.0, le=20.0, description="most charcoal one command may report, kg"
    )
    shelve_max_s: FiniteFloat = Field(
        default=7200.0, ge=60.0, le=7200.0, description="longest shelving of an alarm, s"
    )
    push_urls: tuple[SecretStr, ...] = Field(
        default=(), description="notification URLs for alarms (extra 'push'); see docs/mqtt.md"
    )

    @field_validator("host")
    @classmethod
    def _bare(cls, host: str) -> str:
        try:
            ipaddress.ip_address(host)
        except ValueError:
            if re.search(r"[^\w.-]", host):
                raise ValueError(
                    'write the name or address alone, as in host = "broker"; its port goes into port = 1883, '
                    "TLS into tls = true, a user into username"
                ) from None
        return host

    @field_validator("client_id")
    @classmethod
    def _printable(cls, client_id: str) -> str:
        if not client_id.isprintable():
            raise ValueError("control characters are not accepted; write letters, digits, _ and -")
        return client_id

    @model_validator(mode="after")
    def _of_use(self) -> Self:
        for name in ("ca_file", "certificate_file", "key_file"):
            if getattr(self, name) is not None and not self.tls:
                raise ValueError(
                    f"{name} is of no use with tls = false; set tls = true (port 8883 is usual), or remove it"
                )
        check_pair(self.certificate_file, self.key_file)
        return self
