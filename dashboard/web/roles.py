"""The roles of a workshop."""

from __future__ import annotations

TECHNICIAN, LEAD, QUALITY = "technician", "lab lead", "quality"
ROLES = frozenset({TECHNICIAN, LEAD, QUALITY})
