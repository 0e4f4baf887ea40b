"""Everything in one file and back again: another computer, a disk that died."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, BackgroundTasks, File, Form, Request, UploadFile
from fastapi.responses import FileResponse, HTMLResponse, Response
from sqlalchemy import func, select

from service import clock
from service.actions.keeping import bring_back
from service.records.backup import backup
from service.records.tables import BirdRow, PhotoRow
from service.web.pages import Records, desk_of, gone_to, page, settings_of, store_of

router = APIRouter(prefix="/keeping")


@router.get("")
def show(request: Request, records: Records) -> HTMLResponse:
    """Return what can be carried to another computer, and how."""
    folder = settings_of(request).backups
    kept = sorted(folder.glob("*.zip"), reverse=True) if folder.is_dir() else []
    return page(
        request,
        "keeping.html",
        birds=records.scalar(select(func.count()).select_from(BirdRow)) or 0,
        photos=records.scalar(select(func.count()).select_from(PhotoRow)) or 0,
        size=records.scalar(select(func.sum(PhotoRow.bytes))) or 0,
        kept=[path.name for path in kept],
        folder=str(folder),
        back=request.query_params.get("photos", ""),
    )


@router.get("/backup.zip")
def send_backup(request: Request, later: BackgroundTasks) -> Response:
    """Send records and photos as one file, verified before it goes."""
    folder = Path(tempfile.mkdtemp(prefix="combwright-"))
    later.add_task(shutil.rmtree, folder, ignore_errors=True)
    path = folder / "backup.zip"
    try:
        backup(store_of(request), path)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    name = f"combwright-{clock.today().isoformat()}.zip"
    return FileResponse(path, media_type="application/zip", filename=name, background=later)


@router.post("/restore")
def bring_in(
    request: Request,
    later: BackgroundTasks,
    file: Annotated[UploadFile, File()],
    replace: Annotated[bool, Form()] = False,
) -> Response:
    """Bring a backup back, all of it or nothing; what it replaces is backed up first."""
    with tempfile.TemporaryDirectory(prefix="combwright-") as folder:
        path = Path(folder) / "backup.zip"
        with path.open("wb") as copy:
            shutil.copyfileobj(file.file, copy)
        count = bring_back(desk_of(request, later), path, replace)
    return gone_to(request, f"/keeping?photos={count}")
