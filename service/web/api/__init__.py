"""The JSON interface under /api/v1: what the pages do, for programs and for pages without a net.

Described at /api/v1/openapi.json (OpenAPI 3.1).
"""

from __future__ import annotations

from service.web.api import access, birds, flock, photos, readers, records, reports

PARTS = (access, photos, birds, flock, reports, readers, records)
