"""The three sources of pulses, seen at the wire: kernel files, lgpio calls, registers of a chip.

For each: how many positions a vent really has over a stroke of 1 ms, which is what a hobby servo has.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
import sys
import time
import types
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from coalminder.vents.kernel_pwm import KernelPwm, find_chip, open_kernel_pwm
from coalminder.vents.pca9685 import Pca9685, counts, open_pca9685, prescale
from coalminder.vents.pin_pwm import PinPwm, fine_factory
from coalminder.vents.servo import PulseOutput, ServoVent, Stroke

SWEEP = [step / 2000 for step in range(2001)]


def positions(output: PulseOutput, wire: Callable[[], object]) -> list[object]:
    """Distinct states of the wire over a sweep of the stroke 1.0..2.0 ms, in order."""
    seen: list[object] = []
    for position in SWEEP:
        output.set_pulse_us(Stroke().pulse_us(position))
        if not seen or seen[-1] != wire():
            seen.append(wire())
    return seen


# --- kernel PWM ----------------------------------------------------------------------------------------


class FakeKernel:
    """/sys/class/pwm as the kernel plays it: no write may leave a channel without a period, or a longer duty.

    pwm_apply_state of drivers/pwm/core.c refuses "!state->period || state->duty_cycle > state->period" (from
    memory), whatever was written; a channel just exported has the period 0.
    """

    def __init__(self, root: Path, channels: int = 2, device: str = "3f20c000.pwm", number: int = 0) -> None:
        device_folder = root.parent / "devices" / device
        device_folder.mkdir(parents=True)
        self.chip = root / f"pwmchip{number}"
        self.chip.mkdir(parents=True)
        (self.chip / "npwm").write_text(f"{channels}\n", encoding="ascii")
        (self.chip / "device").symlink_to(device_folder)
        self.writes: list[tuple[str, str]] = []
        self.values: dict[str, dict[str, int]] = {}
        self.refusals = 0

    def export(self, channel: int, **values: int) -> None:
        folder = self.chip / f"pwm{channel}"
        folder.mkdir(exist_ok=True)
        (folder / "polarity").write_text("normal\n", "ascii")
        self._take(folder.name, {"period": 0, "duty_cycle": 0, "enable": 0, **values})

    def unexport(self, channel: int) -> None:
        shutil.rmtree(self.chip / f"pwm{channel}")
        del self.values[f"pwm{channel}"]

    def write(self, path: Path, text: str) -> None:
        if not path.parent.is_dir():
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        self.writes.append((f"{path.parent.name}/{path.name}", text))
        if path.name == "export":
            self.export(int(text))
            return
        if self.refusals > 0:
            self.refusals -= 1
            raise PermissionError(errno.EACCES, "udev has not handed the file over yet")
        values = self.values[path.parent.name]
        if path.name == "polarity":  # only of a channel that is off and has a period (drivers/pwm/sysfs.c)
            if values["enable"] or not values["period"]:
                raise OSError(errno.EINVAL, "Invalid argument")
            path.write_text(f"{text}\n", "ascii")
            return
        changed = {**values, path.name: int(text)}
        if not changed["period"] or changed["duty_cycle"] > changed["period"]:
            raise OSError(errno.EINVAL, "Invalid argument")
        self._take(path.parent.name, changed)

    def _take(self, channel: str, values: dict[str, int]) -> None:
        self.values[channel] = values
        for name, value in values.items():
            (self.chip / channel / name).write_text(f"{value}\n", encoding="ascii")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "class" / "pwm"


def test_kernel_pwm_gives_a_vent_two_thousand_positions(root: Path) -> None:
    kernel = FakeKernel(root)
    output = open_kernel_pwm(18, root=root, write=kernel.write)
    seen = positions(output, lambda: kernel.values["pwm0"]["duty_cycle"])
    assert len(seen) == len(SWEEP)
    assert seen[0] == 1_000_000
    assert seen[-1] == 2_000_000
    assert kernel.values["pwm0"] == {"period": 20_000_000, "duty_cycle": 2_000_000, "enable": 1}


@pytest.mark.parametrize(
    ("channels", "device", "pin", "channel"),
    [
        (2, "3f20c000.pwm", 12, 0), (2, "3f20c000.pwm", 18, 0), (2, "fe20c000.pwm", 13, 1),
        (2, "fe20c000.pwm", 19, 1),
        (4, "1f00098000.pwm", 12, 0), (4, "1f00098000.pwm", 13, 1), (4, "1f00098000.pwm", 18, 2),
        (4, "1f00098000.pwm", 19, 3),
    ],
)  # fmt: skip
def test_pin_finds_its_channel_on_every_board(
    root: Path, channels: int, device: str, pin: int, channel: int
) -> None:
    """Channels of the Raspberry Pi device trees (from memory): BCM2835 has two, the Pi 5's RP1 four."""
    kernel = FakeKernel(root, channels, device, number=2)
    open_kernel_pwm(pin, root=root, write=kernel.write)
    assert kernel.writes[0] == ("pwmchip2/export", str(channel))
    assert list(kernel.values) == [f"pwm{channel}"]


def test_the_board_s_chip_is_found_among_others(root: Path) -> None:
    FakeKernel(root, 1, "some-fan.pwm", number=0)
    board = FakeKernel(root, 4, "1f00098000.pwm", number=1)
    assert find_chip(root) == board.chip


def test_a_chip_and_channel_that_are_named_are_used(root: Path) -> None:
    FakeKernel(root, 4, "1f00098000.pwm", number=0)
    named = FakeKernel(root, 2, "a-hat.pwm", number=3)
    open_kernel_pwm(5, 3, 1, root=root, write=named.write)  # a pin that has no PWM of its own
    assert named.writes[0] == ("pwmchip3/export", "1")


def test_an_only_chip_is_taken_and_two_unknown_ones_are_named(root: Path) -> None:
    only = FakeKernel(root, 2, "a-hat.pwm", number=1)
    assert find_chip(root) == only.chip
    FakeKernel(root, 2, "some-fan.pwm", number=2)
    with pytest.raises(OSError, match=r"pwmchip1 \(a-hat\.pwm\), pwmchip2 \(some-fan\.pwm\)\)"):
        find_chip(root)


@pytest.mark.parametrize("device", ["1f0009c000.pwm", "fe20c800.pwm"])
def test_the_pwm_of_the_board_s_fan_or_sound_is_no_servo_s(root: Path, device: str) -> None:
    """It is the only one of a Pi 5 with a fan and no overlay; it reaches no pin of the header."""
    FakeKernel(root, 4, device)
    with pytest.raises(OSError, match=r"dtoverlay=pwm-2chan"):
        open_kernel_pwm(18, root=root)


def test_the_files_themselves_are_written(root: Path) -> None:
    """Without the kernel's play: what reaches the files of the channel."""
    kernel = FakeKernel(root)
    kernel.export(0)
    folder = kernel.chip / "pwm0"
    output = open_kernel_pwm(18, root=root)
    output.set_pulse_us(1500.0)
    assert {path.name: path.read_text("ascii") for path in folder.iterdir()} == {
        "period": "20000000",
        "duty_cycle": "1500000",
        "enable": "1",
        "polarity": "normal\n",
    }


def test_pulses_come_back_after_they_were_off(root: Path) -> None:
    kernel = FakeKernel(root)
    output = open_kernel_pwm(18, root=root, write=kernel.write)
    for width_us in (1500.0, 1200.0):
        output.set_pulse_us(width_us)
        assert kernel.values["pwm0"] == {"period": 20_000_000, "duty_cycle": width_us * 1000, "enable": 1}
        output.off()
        assert (kernel.values["pwm0"]["duty_cycle"], kernel.values["pwm0"]["enable"]) == (0, 0)


def test_missing_overlay_is_told_with_the_line_to_add(root: Path) -> None:
    with pytest.raises(OSError, match="dtoverlay=pwm-2chan"):
        open_kernel_pwm(18, root=root)


def test_longer_duty_left_over_from_before_does_not_stop_the_set_up(root: Path) -> None:
    kernel = FakeKernel(root)
    kernel.export(0, period=50_000_000, duty_cycle=40_000_000, enable=1)
    output = open_kernel_pwm(12, root=root, write=kernel.write)
    assert kernel.values["pwm0"] == {"period": 20_000_000, "duty_cycle": 0, "enable": 0}
    output.set_pulse_us(1500.0)
    output.off()
    assert kernel.values["pwm0"]["enable"] == 0
    assert kernel.values["pwm0"]["duty_cycle"] == 0


@pytest.mark.parametrize("enabled", [0, 1])
def test_pulses_that_another_program_left_upside_down_are_turned(root: Path, enabled: int) -> None:
    """Inverted, 1.5 ms would be 18.5 ms: no pulse of a servo."""
    kernel = FakeKernel(root)
    kernel.export(0, period=20_000_000, duty_cycle=0, enable=enabled)
    polarity = kernel.chip / "pwm0" / "polarity"
    polarity.write_text("inversed\n", "ascii")
    open_kernel_pwm(18, root=root, write=kernel.write).set_pulse_us(1500.0)
    assert polarity.read_text("ascii") == "normal\n"
    assert kernel.values["pwm0"] == {"period": 20_000_000, "duty_cycle": 1_500_000, "enable": 1}


def test_files_that_udev_hands_over_late_are_waited_for(root: Path) -> None:
    kernel = FakeKernel(root)
    kernel.refusals = 3
    waits: list[float] = []
    assert isinstance(open_kernel_pwm(18, root=root, write=kernel.write, sleep=waits.append), KernelPwm)
    assert len(waits) == 3
    kernel.refusals = 10**6
    with pytest.raises(PermissionError):
        open_kernel_pwm(18, root=root, write=kernel.write, sleep=waits.append)


def test_a_channel_that_another_program_exports_meanwhile_is_taken(root: Path) -> None:
    """`snuff` while the daemon starts: whoever comes second is told EBUSY, before the files are there."""
    kernel = FakeKernel(root)

    def write(path: Path, text: str) -> None:
        if path.name == "export":
            raise OSError(errno.EBUSY, "Device or resource busy")
        kernel.write(path, text)

    output = open_kernel_pwm(18, root=root, write=write, sleep=lambda _: kernel.export(0))
    output.set_pulse_us(1000.0)
    assert kernel.values["pwm0"] == {"period": 20_000_000, "duty_cycle": 1_000_000, "enable": 1}


def test_a_channel_that_a_driver_of_the_kernel_holds_is_an_os_error(root: Path) -> None:
    FakeKernel(root)

    def write(path: Path, text: str) -> None:
        raise OSError(errno.EBUSY, "Device or resource busy")

    with pytest.raises(OSError, match="busy"):
        open_kernel_pwm(18, root=root, write=write, sleep=lambda _: None)


@pytest.mark.parametrize("text", ["", "two", "-2"])
def test_a_chip_that_does_not_say_its_channels_is_an_os_error(root: Path, text: str) -> None:
    kernel = FakeKernel(root)
    (kernel.chip / "npwm").write_text(text, "ascii")
    with pytest.raises(OSError, match="npwm says"):
        open_kernel_pwm(18, root=root, write=kernel.write)


def test_kernel_pwm_is_told_once_to_go_on_and_only_the_width_changes(root: Path) -> None:
    kernel = FakeKernel(root)
    output = open_kernel_pwm(18, root=root, write=kernel.write)
    kernel.writes.clear()
    output.set_pulse_us(1500.0)
    output.set_pulse_us(1500.25)
    assert kernel.writes == [
        ("pwm0/duty_cycle", "1500000"),
        ("pwm0/enable", "1"),
        ("pwm0/duty_cycle", "1500250"),
    ]


def test_kernel_pwm_goes_on_after_another_program_switched_it_off(root: Path) -> None:
    """`snuff` beside a daemon that holds its vents: the daemon's next move must reach the servo."""
    kernel = FakeKernel(root)
    daemon = open_kernel_pwm(18, root=root, write=kernel.write)
    daemon.set_pulse_us(1500.0)
    snuff = open_kernel_pwm(18, root=root, write=kernel.write)
    snuff.set_pulse_us(1000.0)
    snuff.off()
    daemon.set_pulse_us(1600.0)
    assert kernel.values["pwm0"] == {"period": 20_000_000, "duty_cycle": 1_600_000, "enable": 1}


@pytest.mark.parametrize("back", [False, True], ids=["gone", "gone and back without a period"])
def test_a_vent_shuts_though_another_program_took_its_channel_away(root: Path, back: bool) -> None:
    """An `unexport` while the vent stands open: the files are gone, and new ones have no period."""
    kernel = FakeKernel(root)
    output = open_kernel_pwm(18, root=root, write=kernel.write)
    vent = ServoVent("lower", output, sleep=lambda _: None)
    vent.move(0.5)
    kernel.unexport(0)
    if back:
        kernel.export(0)
    with pytest.raises(OSError, match=r"No such file|Invalid"):  # the loop asks again in its next step
        vent.move(0.0)
    kernel.writes.clear()
    vent.move(0.0)
    assert kernel.values["pwm0"] == {"period": 20_000_000, "duty_cycle": 0, "enable": 0}
    assert ("pwm0/duty_cycle", "1000000") in kernel.writes
    assert ("pwm0/enable", "1") in kernel.writes


# --- any pin, through gpiozero and lgpio ------------------------------------------------------------------


class FakeLgpio(types.ModuleType):
    """The library lgpio as far as gpiozero uses it here; remembers the pulses asked for."""

    SET_PULL_NONE, SET_PULL_UP, SET_PULL_DOWN, BOTH_EDGES, RISING_EDGE, FALLING_EDGE = 1, 2, 3, 4, 5, 6

    class error(Exception):  # noqa: N801, N818 - the library's own name
        pass

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.pwm: list[tuple[int, float, float]] = []
        self._outputs: set[int] = set()

    def gpiochip_open(self, chip: int) -> int:
        return 7

    def gpiochip_close(self, handle: int) -> None:
        pass

    def gpio_claim_input(self, handle: int, pin: int, flags: int = 0) -> int:
        self._outputs.discard(pin)
        return 0

    def gpio_claim_output(self, handle: int, pin: int, *_: int) -> int:
        self._outputs.add(pin)
        return 0

    def gpio_get_mode(self, handle: int, pin: int) -> int:
        return 2 if pin in self._outputs else 0

    def gpio_write(self, handle: int, pin: int, level: int) -> int:
        return 0

    def gpio_read(self, handle: int, pin: int) -> int:
        return 0

    def gpio_free(self, handle: int, pin: int) -> int:
        return 0

    def tx_pwm(self, handle: int, pin: int, frequency: float, duty_pct: float, *_: int) -> int:
        if not 0.0 <= duty_pct <= 100.0:
            raise self.error("bad PWM duty cycle")
        self.pwm.append((pin, frequency, duty_pct))
        return 0

    def pulse_us(self) -> int:
        """lgpio turns a duty into whole µs of high time."""
        _, frequency, duty_pct = self.pwm[-1]
        return int(duty_pct / 100.0 * 1e6 / frequency + 0.5) if frequency else 0


@pytest.fixture
def lgpio(monkeypatch: pytest.MonkeyPatch) -> FakeLgpio:
    fake = FakeLgpio()
    monkeypatch.setitem(sys.modules, "lgpio", fake)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    yield fake
    sys.modules.pop("gpiozero.pins.lgpio", None)


@pytest.fixture
def board_factory(lgpio: FakeLgpio) -> Any:
    from gpiozero.pins.lgpio import LGPIOFactory

    class BoardFactory(LGPIOFactory):
        def _get_revision(self) -> int:
            return 0xB03115  # a Pi 4 B

    factory = BoardFactory()
    yield factory
    factory.close()


def test_pin_of_gpiozero_alone_gives_six_positions(lgpio: FakeLgpio, board_factory: Any) -> None:
    """Why there is a pin class of ours: this is the trap it avoids."""
    seen = positions(PinPwm(17, board_factory), lgpio.pulse_us)
    assert seen == [1000, 1200, 1400, 1600, 1800, 2000]  # whole per cents of 20 ms


def test_fine_pin_gives_a_vent_a_thousand_positions(lgpio: FakeLgpio, board_factory: Any) -> None:
    output = PinPwm(17, fine_factory(board_factory))
    seen = positions(output, lgpio.pulse_us)
    assert len(seen) == 1001
    assert (seen[0], seen[-1]) == (1000, 2000)
    assert {frequency for _, frequency, _ in lgpio.pwm} == {50}
    output.off()
    assert lgpio.pulse_us() == 0
    output.close()


LGPIO_ON_DISK = """
import os
SET_PULL_NONE = SET_PULL_UP = SET_PULL_DOWN = BOTH_EDGES = RISING_EDGE = FALLING_EDGE = 0
class error(Exception):
    pass
if os.getcwd() != os.environ["HOME_OF_ANOTHER"]:  # else the library finds no room for its pipe
    open(os.path.join(os.environ.get("LG_WD", os.getcwd()), ".lgd-nfy0"), "w").close()
open(".lgd-nfy0", "rb").close()
"""


@pytest.mark.parametrize("may_return", [True, False])
def test_lgpio_finds_room_for_its_pipe_where_the_user_may_not_write(
    may_return: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`sudo -u coalminder coalminder snuff` from somebody's home; lgpio opens a pipe on import."""
    home, library = tmp_path / "home", tmp_path / "library"
    home.mkdir()
    library.mkdir()
    (library / "lgpio.py").write_text(LGPIO_ON_DISK, "ascii")
    monkeypatch.syspath_prepend(library)
    for module in ("lgpio", "gpiozero.pins.lgpio"):
        monkeypatch.delitem(sys.modules, module, raising=False)
    monkeypatch.chdir(home)
    monkeypatch.setenv("HOME_OF_ANOTHER", str(home))
    monkeypatch.setattr(os, "access", lambda *_: False)  # root, who runs CI, may write anywhere
    chdir = os.chdir

    def go(place: str) -> None:
        if place == str(home) and not may_return:
            raise PermissionError(errno.EACCES, "Permission denied")
        chdir(place)

    monkeypatch.setattr(os, "chdir", go)
    board = types.SimpleNamespace(pin_class=None)
    assert fine_factory(board) is board
    assert board.pin_class is not None
    assert Path.cwd() == (home if may_return else Path("/"))
    assert "LG_WD" not in os.environ
    for module in ("lgpio", "gpiozero.pins.lgpio"):
        sys.modules.pop(module, None)


def test_pin_taken_twice_is_an_os_error(board_factory: Any) -> None:
    factory = fine_factory(board_factory)
    first = PinPwm(17, factory)
    with pytest.raises(OSError, match="17"):
        PinPwm(17, factory)
    first.close()
    PinPwm(17, factory).close()  # it was given back


def test_what_lgpio_itself_raises_is_an_os_error(
    lgpio: FakeLgpio, board_factory: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its error is no OSError, and gpiozero passes it on: a pin that another program holds, say."""

    def busy(*_: object) -> int:
        raise lgpio.error("GPIO busy")

    factory = fine_factory(board_factory)
    output = PinPwm(17, factory)
    with monkeypatch.context() as patch:
        patch.setattr(lgpio, "tx_pwm", busy)
        with pytest.raises(OSError, match="17: GPIO busy"):
            output.set_pulse_us(1500.0)
    output.close()
    monkeypatch.setattr(lgpio, "gpio_claim_output", busy)
    with pytest.raises(OSError, match="18: GPIO busy"):
        PinPwm(18, factory)


def test_no_board_is_an_os_error_with_the_package_to_install() -> None:
    with pytest.raises(OSError, match="lgpio"):
        fine_factory()


# --- PCA9685 ---------------------------------------------------------------------------------------------


class FakePca9685:
    """The chip's registers: PRE_SCALE can be written only while asleep; power-on values of the data sheet."""

    def __init__(self) -> None:
        self.registers = bytearray(256)
        self.power_on()
        self.writes: list[tuple[int, list[int]]] = []
        self.fail_with: OSError | None = None

    def power_on(self) -> None:
        self.registers[0x00], self.registers[0x01], self.registers[0xFE] = 0x11, 0x04, 0x1E

    def read_byte_data(self, i2c_addr: int, register: int) -> int:
        self._check(i2c_addr)
        return self.registers[register]

    def write_i2c_block_data(self, i2c_addr: int, register: int, data: Sequence[int]) -> None:
        self._check(i2c_addr)
        self.writes.append((register, list(data)))
        asleep = self.registers[0x00] & 0x10
        for offset, value in enumerate(data):
            if register + offset == 0xFE and not asleep:
                continue
            if len(data) > 1:
                assert self.registers[0x00] & 0x20, "several registers at once need auto-increment"
            self.registers[register + offset] = value

    def pulse_us(self, channel: int) -> float:
        """Width at the pin: OFF minus ON counts at 25 MHz over the prescaler; 0 when asleep or full off."""
        on_l, on_h, off_l, off_h = self.registers[6 + 4 * channel : 10 + 4 * channel]
        if self.registers[0x00] & 0x10 or off_h & 0x10:
            return 0.0
        high = ((off_h & 0xF) << 8 | off_l) - ((on_h & 0xF) << 8 | on_l)
        return high * (self.registers[0xFE] + 1) / 25.0

    def _check(self, address: int) -> None:
        if self.fail_with is not None:
            raise self.fail_with
        if address != 0x40:
            raise OSError(121, "Remote I/O error")


def no_sleep(_for_s: float) -> None:
    pass


def test_prescale_of_the_data_sheet() -> None:
    """PCA9685 data sheet, 7.3.5, example: 200 Hz at 25 MHz is 1Eh; 50 Hz by the same equation 121."""
    assert prescale(200.0) == 0x1E
    assert prescale(50.0) == 121
    assert (prescale(10.0), prescale(3000.0)) == (0xFF, 0x03)  # the ends of the register: 24 and 1526 Hz


def test_pca9685_gives_a_vent_two_hundred_positions() -> None:
    chip = FakePca9685()
    output = Pca9685(chip, 0x40, 3, sleep=no_sleep)
    seen = positions(output, lambda: chip.pulse_us(3))
    assert len(seen) >= 200
    assert seen[0] == pytest.approx(1000.0, abs=2.5)
    assert seen[-1] == pytest.approx(2000.0, abs=2.5)
    assert chip.registers[0xFE] == 121
    output.off()
    assert chip.pulse_us(3) == 0.0


def test_second_channel_does_not_disturb_the_first() -> None:
    chip = FakePca9685()
    first = Pca9685(chip, 0x40, 0, sleep=no_sleep)
    first.set_pulse_us(1500.0)
    chip.writes.clear()
    second = Pca9685(chip, 0x40, 1, sleep=no_sleep)
    second.set_pulse_us(1200.0)
    second.close()
    assert [register for register, _ in chip.writes] == [10, 10]
    assert chip.pulse_us(0) == pytest.approx(1500.0, abs=2.5)


def test_chip_that_lost_its_supply_is_set_up_again_before_the_next_move() -> None:
    chip = FakePca9685()
    output = Pca9685(chip, 0x40, 0, sleep=no_sleep)
    chip.power_on()
    output.set_pulse_us(1500.0)
    assert chip.pulse_us(0) == pytest.approx(1500.0, abs=2.5)


def test_two_vents_on_a_chip_that_lost_its_supply_are_both_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    """By two threads: the one's set-up puts the chip to sleep under the other's hands."""

    jitter = random.Random(1)

    class SlowChip(FakePca9685):
        def read_byte_data(self, i2c_addr: int, register: int) -> int:
            time.sleep(jitter.uniform(0.0002, 0.002))  # a transfer takes about as long
            return super().read_byte_data(i2c_addr, register)

        def write_i2c_block_data(self, i2c_addr: int, register: int, data: Sequence[int]) -> None:
            time.sleep(jitter.uniform(0.0002, 0.002))
            super().write_i2c_block_data(i2c_addr, register, data)

    chip = SlowChip()
    monkeypatch.setitem(sys.modules, "smbus2", types.SimpleNamespace(SMBus=lambda _bus: chip))
    outputs = [open_pca9685(1, 0x40, channel) for channel in (0, 1)]
    for _ in range(40):
        chip.power_on()
        with ThreadPoolExecutor(2) as pool:
            moves = [pool.submit(output.set_pulse_us, 1500.0) for output in outputs]
        for channel, move in enumerate(moves):
            move.result()
            assert chip.pulse_us(channel) == pytest.approx(1500.0, abs=2.5)


@pytest.mark.parametrize(
    ("mode_1", "mode_2"), [(0x01, 0x04), (0x20, 0x14), (0x20, 0x00)], ids=["single", "inverted", "open drain"]
)
def test_chip_that_another_program_left_awake_is_set_up(mode_1: int, mode_2: int) -> None:
    """Data sheet, 7.3.1 and 7.3.2: without AI all bytes of a transfer go to one register; INVRT; OUTDRV."""
    chip = FakePca9685()
    chip.registers[0x00], chip.registers[0x01], chip.registers[0xFE] = mode_1, mode_2, 121
    output = Pca9685(chip, 0x40, 0, sleep=no_sleep)
    output.set_pulse_us(1500.0)
    assert chip.pulse_us(0) == pytest.approx(1500.0, abs=2.5)
    assert chip.registers[0x01] == 0x04


def test_chip_that_does_not_answer_is_an_os_error() -> None:
    with pytest.raises(OSError, match="Remote"):
        Pca9685(FakePca9685(), 0x41, 0, sleep=no_sleep)
    chip = FakePca9685()
    output = Pca9685(chip, 0x40, 0, sleep=no_sleep)
    chip.fail_with = OSError(5, "Input/output error")
    with pytest.raises(OSError, match="Input/output"):
        output.set_pulse_us(1500.0)


@pytest.mark.parametrize("shown", [0x00, 0x39, 0x9F, 0xFF])
def test_another_chip_at_the_address_is_an_os_error(shown: int) -> None:
    """Humidity sensors and power monitors have 40h, too; a bus that hangs may show ones only."""

    class OtherChip(FakePca9685):
        def read_byte_data(self, i2c_addr: int, register: int) -> int:
            return shown

    with pytest.raises(OSError, match="0x40 takes no setting"):
        Pca9685(OtherChip(), 0x40, 0, sleep=no_sleep)


def test_chip_that_takes_nothing_any_more_is_an_os_error() -> None:
    """A supply that stays too low: the chip answers, asleep at 200 Hz, and keeps nothing that is written."""
    chip = FakePca9685()
    output = Pca9685(chip, 0x40, 0, sleep=no_sleep)
    chip.power_on()
    chip.write_i2c_block_data = lambda *_: None  # type: ignore[method-assign]
    with pytest.raises(OSError, match="takes no setting"):
        output.set_pulse_us(1500.0)


def test_counts_stay_within_the_frame() -> None:
    assert counts(0.0, 121) == 0
    assert counts(1e6, 121) == 4095
