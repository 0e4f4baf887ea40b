"""The gallery of labelled heads with which a reading is compared, made anew for new weights.

python -m classifier.training.gallery --renders DIR
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from PIL import Image
from safetensors.numpy import save_file

from classifier import explain
from classifier.boxes import shorter
from classifier.explain import STEP, TILE, features_of
from classifier.photo import head_view, open_photo
from classifier.reader import Reader
from classifier.training.datasets import part_of, renders
from classifier.vocabulary import COMBS


def main() -> None:
    """Build the gallery from rendered heads: `python -m classifier.training.gallery`."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--renders", type=Path, required=True)
    parser.add_argument("--each", type=int, default=24)
    args = parser.parse_args()
    reader, rng = Reader(), np.random.default_rng(0)
    known = [
        s
        for s in renders(args.renders)
        if s.label in COMBS and s.box and shorter(s.box) >= 70 and part_of(s) == "train"
    ]
    chosen = []
    for comb in COMBS:
        mine = [s for s in known if s.label == comb]
        chosen += [mine[i] for i in rng.permutation(len(mine))[: args.each]]
    views, tiles = [], []
    for sample in chosen:
        assert sample.box is not None
        photo = open_photo(sample.path)
        views.append(head_view(photo, sample.box, reader.card.context, reader.card.size))
        tiles.append(head_view(photo, sample.box, 1.2, TILE))
    sheet = Image.new("RGB", (STEP * TILE, -(-len(tiles) // STEP) * TILE))
    for i, tile in enumerate(tiles):
        sheet.paste(tile, (i % STEP * TILE, i // STEP * TILE))
    folder = Path(explain.__file__).parent / "gallery"
    folder.mkdir(exist_ok=True)
    sheet.save(folder / "heads.webp", quality=80)
    features = np.concatenate(
        [features_of(reader, views[i : i + 16]) for i in range(0, len(views), 16)]
    )
    save_file({"features": features.astype(np.float16)}, folder / "features.safetensors")
    about = {
        "weights": reader.card.document["weights"]["sha256"],
        "combs": [s.label for s in chosen],
        "licence": "rendered by classifier.render, Apache-2.0",
    }
    (folder / "gallery.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
