"""Labels: every code can be read back from the printed page."""

import io

import numpy as np
import pypdf
import pytest
from PIL import Image

from service.documents.labels_pdf import band_sheet, pen_sheets
from service.errors import StoreError
from service.flock.flock_csv import parse_flock
from service.records.birds import bird_named, take_in
from service.records.intake.bands import band_of_codes, codes_in_picture
from service.records.tables import PenBirdRow, PenRow


@pytest.fixture
def birds(store):
    with store.writing("Ada", "birds") as session:
        text = "bird,sex,hatched\n" + "".join(f"B{i},hen,2026-05-03\n" for i in range(41))
        take_in(session, parse_flock(text + "Größe ♀ 12 with a very long name,,\n"))
    return store


def test_labels_hold_readable_codes_and_names(birds):
    with birds.reading() as session:
        data = band_sheet(session)
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    assert len(pages) == 2
    text = pages[0].extract_text()
    assert "B0" in text
    assert "2026-05-03" in text
    assert "Größe ♀ 12" in pages[1].extract_text()
    codes = [
        band_of_codes(codes_in_picture(Image.open(io.BytesIO(i.data))), set())
        for i in pages[1].images
    ]
    assert "Größe ♀ 12 with a very long name" in codes
    assert len(pages[0].images) == 40


def test_only_known_birds_get_labels(birds):
    with birds.reading() as session, pytest.raises(StoreError, match="'nobody'"):
        band_sheet(session, ["nobody"])


def test_a_soiled_code_is_still_read(birds):
    with birds.reading() as session:
        data = band_sheet(session, ["B7"])
    image = np.array(pypdf.PdfReader(io.BytesIO(data)).pages[0].images[0].image.convert("L"))
    side = image.shape[0]
    image[side // 2 : side // 2 + side // 7, side // 3 : side // 3 + side // 4] = 0
    assert band_of_codes(codes_in_picture(Image.fromarray(image)), set()) == "B7"


def test_pen_sheets_name_who_lives_there(birds):
    with birds.reading() as session, pytest.raises(StoreError, match="no pens"):
        pen_sheets(session)
    with birds.writing("Ada", "pen") as session:
        pen = PenRow(name="north", notes="")
        session.add(pen)
        session.flush()
        for i in range(14):
            session.add(PenBirdRow(pen_id=pen.id, bird_id=bird_named(session, f"B{i}").id))
    with birds.reading() as session:
        pages = pypdf.PdfReader(io.BytesIO(pen_sheets(session))).pages
    assert len(pages) == 2
    assert "north" in pages[0].extract_text()
    assert "B13" in pages[1].extract_text()
