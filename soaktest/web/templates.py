"""Pages with the session's token for their forms."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse

from soaktest.templates import fill


def page(request: Request, name: str, **values: Any) -> HTMLResponse:
    """A page of dashboards/."""
    from soaktest.web.door import token

    return HTMLResponse(fill(name, token=token(request), path=request.url.path, **values))
