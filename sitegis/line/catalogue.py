"""Made drainage bends, and how often a building drain has one: the one prior of bends."""

from __future__ import annotations

import numpy as np

CATALOG_DEG = (11.25, 22.5, 45.0, 60.0, 72.0, 90.0)
"""Angles of made drainage bends (1/32, 1/16, 1/8, 1/6, 1/5; 90 as two 45s)."""
CATALOG_WEIGHTS = (0.06, 0.22, 0.42, 0.06, 0.04, 0.20)
"""How often each is met; left and right alike. Judgment, no source."""
BENDS_PER_M = 0.08
"""Bends per meter of building drain, whether marks show them or not: a Poisson process. Under a
basement of 8 m 53 % have none, 34 % one, 11 % two. Judgment, no source."""
SIGNED_RAD = np.radians([sign * angle for angle in CATALOG_DEG for sign in (1.0, -1.0)])
"""Every bend to the left and to the right, and in ``SIGNED_WEIGHTS`` how often it is met."""
SIGNED_WEIGHTS = np.repeat(np.array(CATALOG_WEIGHTS) / 2.0, 2)
