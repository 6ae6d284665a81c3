"""What is wired so that it cannot work, or would be taken for something else, is refused with words."""

from __future__ import annotations

from pathlib import Path

import pytest

from coalminder.errors import SettingsError
from coalminder.settings import load_settings
from coalminder.settings.vents import PWM_CHANNELS
from coalminder.vents.kernel_pwm import CHANNELS

PIT = '[probes.pit]\nkind = "max31855"\n'


def simulated(name: str) -> str:
    return f'[probes.{name}]\nkind = "simulated"\n'


def wireless(name: str, topic: str, field: str) -> str:
    return f'[probes.{name}]\nkind = "mqtt"\ntopic = "{topic}"\nfield = "{field}"\n'


def spi(name: str, kind: str, device: int, channel: int) -> str:
    head = f'[probes.{name}]\nkind = "{kind}"\ndevice = {device}\nchannel = {channel}\n'
    return head + f"[probes.{name}.thermistor]\nbeta_k = 3950\n"


def i2c(name: str, channel: int, more: str = "") -> str:
    head = f'[probes.{name}]\nkind = "ads1115"\nchannel = {channel}\n{more}\n'
    return head + f"[probes.{name}.thermistor]\nbeta_k = 3950\n"


def vents(lower: str, upper: str) -> str:
    return f"[vents.lower]\n{lower}\n[vents.upper]\n{upper}\n"


def pwm(pin: int, more: str = "") -> str:
    return f'driver = "kernel_pwm"\npin = {pin}\n{more}'


def loaded(folder: Path, text: str) -> object:
    path = folder / "c.toml"
    path.write_text(text, "utf-8")
    return load_settings(path)


def points(*temps_c: float) -> str:
    pairs = [[temp_c, ohm] for temp_c, ohm in zip(temps_c, (32650.0, 10000.0, 678.6), strict=True)]
    return (
        PIT + f'[probes.char]\nkind = "mcp3208"\ndevice = 1\nchannel = 0\nthermistor = {{points = {pairs}}}\n'
    )


WRONG = {
    "a thermistor at absolute zero": (points(-273.15, 25.0, 100.0), ["(°C, Ω)", "-60 to 350 °C"]),
    "a thermistor as hot as a furnace": (points(0.0, 25.0, 678.6), ["(°C, Ω)"]),
    "a chip and a converter on one select": (
        PIT + spi("char", "mcp3208", 0, 0),
        ["'pit' (max31855) and 'char' (mcp3208)", "one select (spi 0.0)", "device"],
    ),
    "two converters on one select": (
        PIT + spi("char", "mcp3208", 1, 0) + spi("cod", "mcp3008", 1, 1),
        ["'char' (mcp3208) and 'cod' (mcp3008)", "spi 0.1"],
    ),
    "one input twice": (PIT + spi("char", "mcp3208", 1, 2) + spi("cod", "mcp3208", 1, 2), ["same wire"]),
    "a probe on the input of the supply": (
        PIT + i2c("char", 0, "supply_channel = 3") + i2c("cod", 3),
        ["probe 'cod'", "supply for 'char' (i2c 1 0x48 channel 3)", "another channel"],
    ),
    "two chips on one address": (
        PIT + i2c("char", 0) + '[vents.lower]\ndriver = "pca9685"\nchannel = 0\naddress = 0x48\n',
        ["probes.char (ads1115)", "vents.lower (pca9685)", "(i2c 1 0x48)"],
    ),
    "two pins of one channel": (vents(pwm(12), pwm(18)), ["pin 12", "pin 18", "PWM channel 0", "18 and 19"]),
    "the two other pins of one channel": (vents(pwm(19), pwm(13)), ["PWM channel 1"]),
    "one channel written twice": (
        vents(pwm(18, "pwm_channel = 2"), pwm(19, "pwm_channel = 2")),
        ["PWM channel 2"],
    ),
    "one channel written once": (vents(pwm(18), pwm(12, "pwm_channel = 0")), ["PWM channel 0"]),
    "a pit probe that ends too early": (
        '[probes.pit]\nkind = "ds18b20"\nserial = "28-0123456789ab"\n',
        ["probes.pit.highest_c (125 °C)", "safety.hard_limit_c (165 °C)", "ds18b20"],
    ),
    "a second pit probe that ends at the limit": (
        PIT + simulated("pit_2") + "highest_c = 165\n",
        ["probes.pit_2.highest_c"],
    ),
    "a pit probe that knows no frost": (
        simulated("pit") + "lowest_c = 0.1\n",
        ["probe 'pit'", "lowest_c may be 0 °C at most, got 0.1"],
    ),
    "a probe on a broker that is off": (
        '[mqtt]\nenabled = false\n[probes.pit]\nkind = "mqtt"\ntopic = "grill/pit"\n',
        ["probes.pit", "mqtt.enabled = false"],
    ),
    "one message for the pit and the core": (
        wireless("pit", "gateway/all", "temp1") + wireless("char", "gateway/all", "temp1"),
        ["'pit' and 'char'", "same wire (topic gateway/all, field 'temp1')", "give each its own"],
    ),
    "one bare number for two": (wireless("pit", "a", "") + wireless("pit_2", "a", ""), ["'pit' and 'pit_2'"]),
    "a vent on the I2C of a converter": (
        PIT + i2c("char", 0) + '[vents.lower]\ndriver = "pin"\npin = 3\n',
        ["vents.lower (pin 3)", "wire of I2C 1", "probes.char", "another pin"],
    ),
    "a vent on the SPI of the pit": (
        PIT + '[vents.lower]\ndriver = "pin"\npin = 11\n', ["vents.lower (pin 11)", "SPI 0", "probes.pit"]
    ),
    "a vent on the second SPI": (
        PIT + "bus = 1\n" + vents(pwm(18), pwm(19)), ["vents.upper (pin 19)", "SPI 1", "probes.pit"]
    ),
    "a vent on the I2C of the other": (
        vents('driver = "pca9685"\nchannel = 0', 'driver = "pin"\npin = 2'),
        ["vents.upper (pin 2)", "I2C 1", "vents.lower"],
    ),
    "a Pt1000 on the reference of a Pt100": (
        '[probes.pit]\nkind = "max31865"\nr0_ohm = 1000\n',
        ["probes.pit", "ref_ohm must be 2000 or more for a Pt1000, got 430", "4300 for Pt1000"],
    ),
    "a reference that ends at 130 °C": (
        '[probes.pit]\nkind = "max31865"\nref_ohm = 150\n', ["ref_ohm must be 200 or more for a Pt100"]
    ),
    "a deadline of many steps": (simulated("pit") + "deadline_s = 3.1\n", ["deadline_s", "3"]),
    "yes for true": (vents(pwm(18, "reversed = 'yes'"), pwm(19)), ["lower.reversed", "write true or false"]),
    "1 for true": (vents(pwm(18, "reversed = 1"), pwm(19)), ["lower.reversed", "write true or false"]),
    "a pulse in quotes": (
        vents(pwm(18, "pulse_min_us = '600'"), pwm(19)), ["lower.pulse_min_us", "write a number", "'600'"]
    ),
    "true for a number": (vents(pwm(18, "stop_shut = true"), pwm(19)), ["lower.stop_shut", "write a number"]),
    "a bus with a point": (
        '[vents.lower]\ndriver = "pca9685"\nchannel = 0\nbus = 1.0\n',
        ["lower.bus", "whole number"],
    ),
    "a vent left open": (
        '[vents.lower]\ndriver = "simulated"\nsafe_opening = 0.05\n',
        ["safe_opening", "0.02"],
    ),
}  # fmt: skip


def test_pins_have_the_channels_that_the_driver_takes() -> None:
    assert tuple(CHANNELS.values()) == PWM_CHANNELS


@pytest.mark.parametrize(("text", "said"), WRONG.values(), ids=WRONG.keys())
def test_what_cannot_work_is_refused(text: str, said: list[str], tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as raised:
        loaded(tmp_path, text)
    told = str(raised.value)
    assert "\n" not in told
    for words in said:
        assert words in told


SLIPS = (
    "pit2 pit1 pit_3 pit_left grate lid grill kettle air air_2 smoke outside dome_2 dome2 ambient_2".split()
)


@pytest.mark.parametrize("name", SLIPS)
def test_a_probe_in_the_air_is_not_taken_for_food(name: str, tmp_path: Path) -> None:
    with pytest.raises(
        SettingsError,
        match=rf"'{name}' would be taken for a food probe: .*pit, pit_2, dome.* or one of the food$",
    ):
        loaded(tmp_path, PIT + simulated(name))


RIGHT = {
    "eight inputs of one converter": PIT + "".join(spi(f"f{n}", "mcp3208", 1, n) for n in range(8)),
    "one supply for two probes": PIT
    + i2c("char", 0, "supply_channel = 3")
    + i2c("cod", 1, "supply_channel = 3"),
    "one address on two buses": PIT
    + i2c("char", 0)
    + '[vents.lower]\ndriver = "pca9685"\nchannel = 0\naddress = 0x48\nbus = 3\n',
    "the pins of the installer": vents(pwm(18), pwm(19)),
    "a curve and whole numbers": vents(
        pwm(18, "curve = [[0, 0], [0.5, 0.3], [1, 1]]\npulse_min_us = 900\nreversed = true"), pwm(19)
    ),
    "a channel for each pin": vents(pwm(12, "pwm_channel = 0"), pwm(18, "pwm_channel = 2")),
    "two chips": vents(
        pwm(12, "pwm_chip = 0\npwm_channel = 0"), pwm(18, "pwm_chip = 1\npwm_channel = 0")
    ),
    "a cool grill with a DS18B20": '[probes.pit]\nkind = "ds18b20"\nserial = "28-0123456789ab"\n'
    "[band]\nset_point = 85\nhigh = 95\nhighest_set_point = 90\n"
    "[safety]\nceiling_c = 98\nhard_limit_c = 123\n",
    "two fields of one message": wireless("pit", "gateway/all", "t1") + wireless("char", "gateway/all", "t2"),
    "one field of two topics": wireless("pit", "gateway/1", "t") + wireless("char", "gateway/2", "t"),
    "a vent on a bus that nobody uses": PIT + '[vents.lower]\ndriver = "pin"\npin = 2\n',
    "a vent beside the second SPI": PIT + "bus = 1\n" + vents(pwm(18), pwm(12, "pwm_channel = 1")),
    "a Pt1000 on its reference": '[probes.pit]\nkind = "max31865"\nr0_ohm = 1000\nref_ohm = 4300\n',
    "a probe with a broker": '[probes.pit]\nkind = "mqtt"\ntopic = "grill/pit"\n',
    "food": PIT + "".join(simulated(name) for name in ("pitahaya", "airdried", "smoked", "side", "lid_end")),
}  # fmt: skip


@pytest.mark.parametrize("text", RIGHT.values(), ids=RIGHT.keys())
def test_what_can_work_is_accepted(text: str, tmp_path: Path) -> None:
    loaded(tmp_path, text)


@pytest.mark.parametrize("name", ["COALMINDER_VENTS__LOWER__REVERSED", "coalminder_vents__lower__reversed"])
def test_the_environment_sets_no_vent(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`snuff` reads the file alone: it would drive a vent that is reversed elsewhere open."""
    monkeypatch.setenv(name, "true")
    with pytest.raises(SettingsError, match=f"{name}: the vents are set in the configuration file only"):
        loaded(tmp_path, vents(pwm(18), pwm(19)))
