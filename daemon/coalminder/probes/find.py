"""What the board shows of buses and devices, from the kernel's files. Opens nothing, moves nothing."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Found:
    """One kind of bus: what is there, and what to do when it is needed and nothing is."""

    bus: str
    names: tuple[str, ...]
    remedy: str


def find_buses(root: Path = Path("/")) -> tuple[Found, ...]:
    """SPI, I2C, 1-Wire, PWM and GPIO of the machine whose files are under `root`."""
    dev, system = root / "dev", root / "sys"
    return (
        Found("SPI", _names(dev, "spidev*"), "dtparam=spi=on in /boot/firmware/config.txt, restart"),
        Found("I2C", _names(dev, "i2c-*"), "dtparam=i2c_arm=on in /boot/firmware/config.txt, restart"),
        Found(
            "1-Wire",
            _names(system / "bus/w1/devices", "28-*"),
            "dtoverlay=w1-gpio in /boot/firmware/config.txt, restart; then wire and pull-up",
        ),
        Found(
            "PWM",
            _names(system / "class/pwm", "pwmchip*"),
            "dtoverlay=pwm-2chan in /boot/firmware/config.txt, restart",
        ),
        Found("GPIO", _names(dev, "gpiochip*"), "is this a Raspberry Pi? is the user in the group gpio?"),
    )


def _names(folder: Path, pattern: str) -> tuple[str, ...]:
    try:
        return tuple(sorted(path.name for path in folder.glob(pattern)))
    except OSError:
        return ()
