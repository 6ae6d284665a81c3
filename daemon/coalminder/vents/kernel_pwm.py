"""Servo pulses from the board's own PWM, through the kernel's files under /sys/class/pwm.

The hardware makes the pulses: 1 µs steps or better, no trembling, no work for the processor, and they
survive a busy system. Own code rather than a library: it is a handful of file writes, it must be
importable in milliseconds by `snuff`, and its folder must be replaceable in tests.

Layout of the files: Linux documentation, "Pulse Width Modulation (PWM) interface" (driver-api/pwm). A
channel comes into being by writing its number to `export`; `period` must be above `duty_cycle`, both in
ns. Whatever is written, the kernel checks the whole state that would follow: without a period everything
but a period is EINVAL, also a 0 to `enable` (pwm_apply_state of drivers/pwm/core.c, from memory).

Addresses and channel numbers of the boards: Raspberry Pi device trees (from memory): BCM2835 family
`...20c000.pwm` with two channels, RP1 (Pi 5) PWM0 `...98000.pwm` with four. The boards have a second one for
their sound or fan, which is at no pin of the header: BCM2711 `...20c800.pwm`, RP1 PWM1 `...9c000.pwm`.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from coalminder.reopened import Reopened

PERIOD_NS = 20_000_000  # 50 Hz, the frame of a hobby servo
SYSFS = Path("/sys/class/pwm")
EXPORT_WAIT_S = 1.0  # udev needs a moment to hand the new files to the group

#: pin -> channel, by the number of channels of the chip.
CHANNELS: dict[int, dict[int, int]] = {
    2: {12: 0, 18: 0, 13: 1, 19: 1},
    4: {12: 0, 13: 1, 18: 2, 19: 3},
}
_ADDRESSES = ("20c000.pwm", "98000.pwm")
_OFF_THE_HEADER = ("20c800.pwm", "9c000.pwm")


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, encoding="ascii")


class KernelPwm:
    """A `PulseOutput` on the channel that `open_channel` sets up. OSError when the kernel refuses.

    Another program may take the channel away (`unexport`) or leave it without a period: after a failure it is
    exported and set up anew.
    """

    def __init__(self, open_channel: Callable[[], _Channel]) -> None:
        self._channel = Reopened(open_channel)

    def set_pulse_us(self, pulse_us: float) -> None:
        """Send pulses of this width, in ns; the hardware rounds to its own clock."""
        self._channel.use(lambda channel: channel.set_pulse_us(pulse_us))

    def off(self) -> None:
        """Hold the wire low: no pulses."""
        self._channel.use(lambda channel: channel.off())

    def close(self) -> None:
        """Stop the pulses. The channel stays exported, for `snuff`."""
        self.off()


class _Channel:
    """The files of one channel; `folder` is .../pwmchipN/pwmM."""

    def __init__(self, folder: Path, write: Callable[[Path, str], object] = _write_text) -> None:
        self._folder = folder
        self._write_text = write
        # The kernel refuses every write to a channel without a period, as each one is at first. A duty left
        # over from another period may be longer than the new one: shorten it first.
        if self._read("period") != "0":
            self._write("enable", 0)
            self._write("duty_cycle", 0)
        self._write("period", PERIOD_NS)
        with suppress(FileNotFoundError):  # there on every kernel of today
            if self._read("polarity") == "inversed":  # as another program left it
                write(folder / "polarity", "normal")

    def set_pulse_us(self, pulse_us: float) -> None:
        self._write("duty_cycle", round(pulse_us * 1000.0))
        if not self._goes():
            self._write("enable", 1)

    def off(self) -> None:
        self._write("duty_cycle", 0)  # ends the frame low: the last pulse is never cut short by the switch
        self._write("enable", 0)

    def close(self) -> None:
        self.off()

    def _goes(self) -> bool:
        # Asked, not remembered: `snuff` switches the same channel off beside the daemon.
        return self._read("enable") == "1"

    def _read(self, name: str) -> str:
        return (self._folder / name).read_text(encoding="ascii").strip()

    def _write(self, name: str, value: int) -> None:
        self._write_text(self._folder / name, str(value))


def open_kernel_pwm(
    pin: int,
    chip: int | None = None,
    channel: int | None = None,
    *,
    root: Path = SYSFS,
    sleep: Callable[[float], None] = time.sleep,
    write: Callable[[Path, str], object] = _write_text,
) -> KernelPwm:
    """The pulses on GPIO `pin` 12, 13, 18 or 19; `chip`, `channel` override. OSError without it."""
    return KernelPwm(lambda: _exported(pin, chip, channel, root, sleep, write))


def _exported(
    pin: int,
    chip: int | None,
    channel: int | None,
    root: Path,
    sleep: Callable[[float], None],
    write: Callable[[Path, str], object],
) -> _Channel:
    chip_folder = find_chip(root) if chip is None else root / f"pwmchip{chip}"
    if channel is None:
        count = _count(chip_folder / "npwm")
        by_pin = CHANNELS[4 if count >= 4 else 2]
        if pin not in by_pin:
            raise OSError(f"GPIO {pin} has no PWM of its own; use pin 12, 13, 18 or 19")
        channel = by_pin[pin]
    folder = chip_folder / f"pwm{channel}"
    busy: OSError | None = None
    if not folder.is_dir():
        try:
            write(chip_folder / "export", str(channel))
        except OSError as error:
            if error.errno != errno.EBUSY:
                raise
            busy = error  # exported meanwhile, by `snuff` beside the daemon; or a driver of the kernel has it
    waited_s = 0.0
    while True:
        try:
            return _Channel(folder, write)
        except (FileNotFoundError, PermissionError) as error:
            if waited_s >= EXPORT_WAIT_S:
                raise busy or error from None
            sleep(0.05)
            waited_s += 0.05


def _count(path: Path) -> int:
    text = path.read_text(encoding="ascii", errors="replace").strip()
    if not text.isdecimal():
        raise OSError(f"{path} says '{text}': no number of channels; set pwm_channel")
    return int(text)


def find_chip(root: Path = SYSFS) -> Path:
    """The folder of the board's PWM for pins 12, 13, 18, 19. OSError, saying what to do, when there is none.

    The number behind `pwmchip` depends on the board and the kernel, so it is found by the device's address.
    """
    chips = {chip: (chip / "device").resolve().name for chip in sorted(root.glob("pwmchip*"))}
    for chip, device in chips.items():
        if device.endswith(_ADDRESSES):
            return chip
    others = [chip for chip, device in chips.items() if not device.endswith(_OFF_THE_HEADER)]
    if len(others) == 1:
        return others[0]
    found = ", ".join(f"{chip.name} ({device})" for chip, device in chips.items()) or "none"
    raise OSError(
        f"no PWM of the board under {root} (found: {found}); add 'dtoverlay=pwm-2chan' to "
        "/boot/firmware/config.txt and restart, or set pwm_chip"
    )
