"""The flow curve of a vent whose flow is already linear in its position."""

from __future__ import annotations

from coalminder.vents.curve import FlowCurve

LINEAR_CURVE = FlowCurve(((0.0, 0.0), (1.0, 1.0)))
