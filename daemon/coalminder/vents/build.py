"""Vents from the configuration. Hardware libraries are imported only for the driver that is asked for."""

from __future__ import annotations

from coalminder.errors import SettingsError
from coalminder.settings.calibration import NOTHING, Calibration, VentCorrection
from coalminder.settings.vents import KernelPwmVent, Pca9685Vent, PinVent, Servo, VentsSettings
from coalminder.vents.curve import DEFAULT_CURVE, FlowCurve
from coalminder.vents.fake import FakePulseOutput
from coalminder.vents.servo import PulseOutput, ServoVent, Stroke


def build_vents(settings: VentsSettings, calibration: Calibration = NOTHING) -> dict[str, ServoVent]:
    """Vents by name, `lower` first, opened and not yet moved.

    SettingsError when a curve or stops make no sense; OSError when a driver cannot be opened.
    """
    vents: dict[str, ServoVent] = {}
    try:
        for name, block in settings.by_name().items():
            vents[name] = build_vent(name, block, calibration.vents.get(name))
    except BaseException:
        for vent in vents.values():
            vent.close()
        raise
    return vents


def build_vent(name: str, block: Servo, found: VentCorrection | None = None) -> ServoVent:
    """One vent of a block, corrected by what calibration `found`. SettingsError, OSError as above."""
    correction = found or VentCorrection()
    points = correction.curve or block.curve
    try:
        curve = FlowCurve(points) if points else DEFAULT_CURVE
        stroke = Stroke(
            block.pulse_min_us,
            block.pulse_max_us,
            block.reversed,
            block.stop_shut if correction.stop_shut is None else correction.stop_shut,
            block.stop_open if correction.stop_open is None else correction.stop_open,
        )
    except ValueError as error:
        raise SettingsError(f"vents.{name}: {error}") from error
    return ServoVent(
        name,
        pulse_output(block),
        stroke,
        curve=curve,
        safe_opening=block.safe_opening,
        stroke_s=block.stroke_s,
        settle_s=block.settle_s,
        hold=block.hold,
        backlash=block.backlash,
        reassert_s=block.reassert_s,
    )


def pulse_output(block: Servo) -> PulseOutput:
    """The source of pulses that a vent block asks for. OSError when it is not there."""
    match block:
        case KernelPwmVent():
            from coalminder.vents.kernel_pwm import open_kernel_pwm

            return open_kernel_pwm(block.pin, block.pwm_chip, block.pwm_channel)
        case PinVent():
            from coalminder.vents.pin_pwm import open_pin_pwm

            return open_pin_pwm(block.pin)
        case Pca9685Vent():
            from coalminder.vents.pca9685 import open_pca9685

            return open_pca9685(block.bus, block.address, block.channel, block.frame_hz)
        case _:
            return FakePulseOutput(keep=1000)
