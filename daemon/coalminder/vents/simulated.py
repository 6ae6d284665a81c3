"""No servo at all, for `driver = "simulated"`."""

from __future__ import annotations


class NoPulses:
    """A `PulseOutput` that sends nothing anywhere."""

    def set_pulse_us(self, pulse_us: float) -> None:
        """Nobody moves."""

    def off(self) -> None:
        """Nothing to switch off."""

    def close(self) -> None:
        """Nothing to give back."""
