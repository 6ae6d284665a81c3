"""Coalminder: tends a charcoal kettle for hot-smoking. See docs/architecture.md."""

__version__ = "0.1.0"
