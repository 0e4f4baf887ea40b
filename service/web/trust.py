"""How a phone comes to trust the certificate that this machine made for itself."""

from __future__ import annotations

from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from service.actions.certificates import der_of, fingerprint_of
from service.errors import NotFound
from service.web.accounts import door_of
from service.web.pages import page

router = APIRouter(prefix="/trust")


def authority_of(request: Request) -> Path:
    """Return the file of the authority's certificate. Raises NotFound where there is none."""
    path = door_of(request).authority
    if path is None or not path.exists():
        raise NotFound("no_authority")
    return path


@router.get("")
def trust(request: Request) -> HTMLResponse:
    """Say how a phone trusts this address."""
    return page(request, "trust.html", fingerprint=fingerprint_of(authority_of(request)))


@router.get("/authority.crt")
def authority(request: Request) -> Response:
    """Return the certificate of this machine's own authority."""
    headers = {"Content-Disposition": 'attachment; filename="combwright.crt"'}
    return Response(
        der_of(authority_of(request)), media_type="application/x-x509-ca-cert", headers=headers
    )
