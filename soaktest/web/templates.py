"""Pages with the session's token for their forms."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse

from soaktest.templates import fill, utc_name, utc_offset


def page(request: Request, name: str, **values: Any) -> HTMLResponse:
    """A page of dashboards/."""
    from soaktest.web.door import token

    offset = utc_offset()
    told = {
        "token": token(request),
        "path": request.url.path,
        "utc_offset_s": offset,
        "zone_name": utc_name(offset),
    }
    return HTMLResponse(fill(name, **told, **values))
