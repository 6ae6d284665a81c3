"""Vents from the configuration. Hardware libraries are imported only for the driver that is asked for."""

from __future__ import annotations

from coalminder.errors import SettingsError
from coalminder.settings.calibration import NOTHING, Calibration, VentCorrection
from coalminder.settings.vents import KernelPwmVent, Pca9685Vent, PinVent, Servo, VentsSettings
from coalminder.vents.curve import DEFAULT_CURVE, FlowCurve
from coalminder.vents.servo import PulseOutput, ServoVent, Stroke
from coalminder.vents.simulated import NoPulses


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
    again = f"'coalminder calibrate stops --vent {name}' again"
    if correction.ends_us not in (None, block.ends_us):
        was, now = ("{:g} (shut) to {:g} µs".format(*ends) for ends in (correction.ends_us, block.ends_us))
        raise SettingsError(
            f"vents.{name}: its stops were calibrated on a stroke of {was}, the configuration says {now}: "
            f"correct pulse_min_us, pulse_max_us, reversed, or do {again}"
        )
    calibrated = correction.curve is not None
    points = correction.curve or block.curve
    shut = block.stop_shut if correction.stop_shut is None else correction.stop_shut
    opened = block.stop_open if correction.stop_open is None else correction.stop_open
    try:
        curve = FlowCurve(points) if points else DEFAULT_CURVE
        calibrated = (shut, opened) != (block.stop_shut, block.stop_open)
        stroke = Stroke(block.pulse_min_us, block.pulse_max_us, block.reversed, shut, opened)
    except ValueError as error:
        mend = f"; calibrated: mend the calibration file, or do {again}" if calibrated else ""
        raise SettingsError(f"vents.{name}: {error}{mend}") from error
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
            return NoPulses()
