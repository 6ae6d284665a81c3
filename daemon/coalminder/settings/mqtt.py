"""Section [mqtt]: the broker, and what the phone may ask through it."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, SecretStr


class MqttSettings(BaseModel):
    """How to reach the broker, how often to tell, and what commands may ask."""

    model_config = ConfigDict(extra="forbid")

    enabled: bool = Field(default=True, description="false: tend without a broker")
    host: str = Field(default="127.0.0.1", min_length=1, description="name or address of the broker")
    port: int = Field(default=1883, ge=1, le=65535, description="TCP port; 8883 is usual with TLS")
    tls: bool = Field(default=False, description="true: TLS, the broker's certificate is checked")
    ca_file: Path | None = Field(
        default=None, description="certificate authority of the broker; without it the system's are used"
    )
    username: str | None = Field(default=None, description="user at the broker")
    password: SecretStr | None = Field(
        default=None,
        description="password; better a file 'mqtt_password' handed over by systemd's LoadCredential=",
    )
    password_file: Path | None = Field(default=None, description="file whose first line is the password")
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
        default="homeassistant", pattern=r"^[A-Za-z0-9_/-]{1,64}$", description="topic where home hubs look"
    )
    discovery_name: str = Field(
        default="Kettle", min_length=1, max_length=64, description="name of the grill in a hub"
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
        default=7200.0, ge=60.0, le=86400.0, description="longest shelving of an alarm, s"
    )
    push_urls: tuple[SecretStr, ...] = Field(
        default=(), description="notification URLs for alarms (extra 'push'); see docs/mqtt.md"
    )
