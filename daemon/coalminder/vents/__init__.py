"""Vents: the flow curve, the servo and its sources of pulses."""
