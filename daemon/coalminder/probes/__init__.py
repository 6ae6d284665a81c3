"""Probes: pure decoders, the drivers beside them, and the reader that keeps a hung one apart."""
