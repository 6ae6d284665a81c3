"""What the board shows of buses and devices, from the kernel's files and a look at I2C. Moves nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from coalminder.probes.buses import I2cBus, LinuxI2c

#: Addresses of the chips that we know: PCA9685 with its pins low, ADS1115. Of others only what is configured
#: is touched.
I2C_CHIPS = {0x40: "PCA9685", **dict.fromkeys(range(0x48, 0x4C), "ADS1115")}


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


def find_chips(
    names: tuple[str, ...], servos_at: Iterable[int] = (), open_i2c: Callable[[int], I2cBus] = LinuxI2c
) -> tuple[str, ...]:
    """Chips that answer on the I2C buses `names`, such as 'i2c-1 0x48 (ADS1115?)'. Reads one register.

    servos_at: where a PCA9685 is by the configuration.
    """
    chips = I2C_CHIPS | dict.fromkeys(servos_at, "PCA9685")
    found: list[str] = []
    for name in names:
        number = name.removeprefix("i2c-")
        if not number.isdigit():
            continue
        try:
            bus = open_i2c(int(number))
        except OSError:
            continue
        for address, chip in sorted(chips.items()):
            try:
                bus.read(address, 0, 1)
            except OSError:
                continue
            found.append(f"{name} {address:#x} ({chip}?)")
    return tuple(found)


def board_name(root: Path = Path("/")) -> str:
    """What the board calls itself, "" when it does not say."""
    try:
        return (root / "proc/device-tree/model").read_text(encoding="utf-8", errors="replace").strip("\0 \n")
    except OSError:
        return ""
