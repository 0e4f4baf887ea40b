"""boxes.csv: whose box is whose, and what is refused."""

from pathlib import Path

import pytest

from service.errors import BoxError
from service.flock.boxes_csv import box_for, load_boxes

BOX = (1.0, 2.0, 30.0, 40.0)


@pytest.mark.parametrize("name", ["/data/pen/a.jpg", "data/pen/a.jpg", "pen/a.jpg", "a.jpg"])
def test_a_box_belongs_to_a_photo_by_path_by_its_end_or_by_name(name):
    assert box_for(Path("/data/pen/a.jpg"), {name: BOX}) == BOX


def test_another_photo_gets_no_box():
    assert box_for(Path("/data/pen/ba.jpg"), {"a.jpg": BOX}) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("photo,x0,y0,x1\na.jpg,1,2,3\n", "lacks the columns y1"),
        ("photo,x0,y0,x1,y1\na.jpg,1,2,3,x\n", "line 2"),
        ("photo,x0,y0,x1,y1\na.jpg,9,2,3,4\n", "below X1"),
    ],
)
def test_a_bad_table_is_refused(tmp_path, text, words):
    (tmp_path / "boxes.csv").write_text(text)
    with pytest.raises(BoxError, match=words):
        load_boxes(tmp_path / "boxes.csv")
