"""Drills: every row of the fault table provoked on the simulated kettle, and what then happened."""
