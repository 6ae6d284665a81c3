"""Calibration: probes in ice and boiling water, thermistors, vent stops, flow curves from a cook."""
