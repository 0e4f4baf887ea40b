"""Photos in, readings out: finds the head, reads it, says what it doubts."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from safetensors.torch import load_file
from torch import Tensor

from classifier.boxes import Box, iou, shorter
from classifier.card import SHIPPED, WEIGHTS, Card, CardError, fingerprint, load_card
from classifier.network import (
    HEADS,
    FinderNetwork,
    ReaderNetwork,
    all_peaks,
    fold_norms,
    peaks,
    wattle_share,
)
from classifier.photo import Photo, head_view
from classifier.quality import complaints, rules
from classifier.reading import HeadBox, Reading, judge, wattles_from
from classifier.vocabulary import COMBS, WATTLES

BATCH = 16
# On two cores the finder is fastest with few pictures at a time: more leave the cache.
FINDER_BATCH = 4
# A found head is looked at once more in a window so many times its size; both looks are of one
# head if they overlap (IoU) by more than this. On held-out training photographs (329, three folds)
# the mean of both meets the label (IoU above 0.5) on 300, the first look alone on 298.
CLOSER, SAME_HEAD = 3.0, 0.3


class Reader:
    """The head finder and the comb reader with their card.

    >>> reader = Reader()                                          # doctest: +SKIP
    >>> [r.proposal for r in reader.read([open_photo(path)])]      # doctest: +SKIP
    ['walnut']
    """

    def __init__(self, folder: Path = SHIPPED) -> None:
        """Load weights and card from `folder`; CardError if they don't fit each other."""
        self.card: Card = load_card(folder)
        path = folder / WEIGHTS
        if not path.exists():
            raise CardError("weights_missing", place=path)
        if fingerprint(path) != self.card.document["weights"]["sha256"]:
            raise CardError("weights_of_another_card", place=path)
        torch.set_num_threads(max(1, min(4, os.cpu_count() or 1)))
        state = {k: v.float() for k, v in load_file(path).items()}
        self.finder, self.network = FinderNetwork(), ReaderNetwork()
        # One thread at a time: explaining a reading hangs hooks into the network for a moment.
        self.lock = threading.RLock()
        for name, network in (("finder", self.finder), ("reader", self.network)):
            part = {k.split(".", 1)[1]: v for k, v in state.items() if k.startswith(name + ".")}
            network.load_state_dict(part, strict=False)
            missing = [k for k in network.state_dict() if k not in part and "num_batches" not in k]
            if missing:
                raise CardError(
                    "weights_lack_tensors", place=path, number=len(missing), first=missing[0]
                )
            network.eval()
            fold_norms(network)
            network.to(memory_format=torch.channels_last)

    def tensor(self, images: Sequence[Image.Image]) -> Tensor:
        """Images of one size as a normalised batch."""
        pixels = np.stack([np.asarray(i.convert("RGB"), np.float32) for i in images])
        batch = torch.from_numpy(pixels.transpose(0, 3, 1, 2).copy()) / 255
        batch = (batch - self.card.mean) / self.card.std
        return batch.to(memory_format=torch.channels_last)

    def canvas(self, image: Image.Image) -> tuple[Image.Image, float]:
        """Return an image in the finder's square, and the scale from its pixels to that."""
        size = self.card.finder_size
        canvas = Image.new("RGB", (size, size), (115, 115, 115))
        scale = size / max(image.size)
        wide = max(1, round(image.width * scale))
        high = max(1, round(image.height * scale))
        small = image.resize((wide, high), Image.Resampling.BICUBIC, reducing_gap=2.0)
        canvas.paste(small, (0, 0))
        return canvas, scale

    @torch.inference_mode()
    def find(self, photos: Sequence[Photo]) -> list[HeadBox]:
        """Return the most prominent head of each photo; the whole photo where no head is found."""
        heads: list[HeadBox] = []
        for start in range(0, len(photos), FINDER_BATCH):
            batch = photos[start : start + FINDER_BATCH]
            first = self._peaks([photo.image for photo in batch])
            windows = [
                around(box, photo) if score >= rules()["finder"]["least_score"] else None
                for photo, (score, box) in zip(batch, first, strict=True)
            ]
            again = [
                photo.image.crop(window)
                for photo, window in zip(batch, windows, strict=True)
                if window
            ]
            closer = iter(self._peaks(again))
            for photo, (score, box), window in zip(batch, first, windows, strict=True):
                if window:
                    box = best_match(box, next(closer)[1], window)
                heads.append(found_box(photo, score, [v / photo.scale for v in box]))
        return heads

    def _peaks(self, images: Sequence[Image.Image]) -> list[tuple[float, list[float]]]:
        """Score and box of the most prominent head of each image, in pixels of the image."""
        if not images:
            return []
        canvases = [self.canvas(image) for image in images]
        with self.lock:
            heat, sides = self.finder(self.tensor([c for c, _ in canvases]))
        return [
            (score, [v / scale for v in box])
            for (_, scale), (score, box) in zip(canvases, peaks(heat, sides), strict=True)
        ]

    @torch.inference_mode()
    def find_all(self, photo: Photo) -> list[HeadBox]:
        """All heads of a photo, the surest first; the whole photo if there is none."""
        canvas, scale = self.canvas(photo.image)
        scale *= photo.scale
        heat, sides = self.finder(self.tensor([canvas]))
        least = rules()["finder"]["least_score"]
        found = [
            found_box(photo, score, [v / scale for v in box])
            for score, box in all_peaks(heat[0], sides[0], least)
        ]
        found = [head for head in found if head.source == "found"]
        ((score, box),) = peaks(heat, sides)
        return found or [found_box(photo, score, [v / scale for v in box])]

    def read_heads(self, photo: Photo) -> list[Reading]:
        """Return a reading of every head found in a photo, the surest head first."""
        heads = self.find_all(photo)
        return list(self._batch([photo] * len(heads), heads))

    def read(self, photos: Sequence[Photo], boxes: Sequence[Box | None] = ()) -> list[Reading]:
        """Read photos; a box (pixels of the upright photo) saves finding the head.

        Raises ValueError for a box without area or outside its photo.
        """
        given = list(boxes) or [None] * len(photos)
        if len(given) != len(photos):
            raise ValueError(f"{len(given)} boxes for {len(photos)} photos")
        unknown = [p for p, b in zip(photos, given, strict=True) if b is None]
        search = iter(self.find(unknown))
        heads = []
        for photo, box in zip(photos, given, strict=True):
            if box is None:
                heads.append(next(search))
            else:
                heads.append(HeadBox(clip_box(box, photo), "given", 1.0))
        return [
            reading
            for start in range(0, len(photos), BATCH)
            for reading in self._batch(photos[start : start + BATCH], heads[start : start + BATCH])
        ]

    @torch.inference_mode()
    def _batch(self, photos: Sequence[Photo], heads: Sequence[HeadBox]) -> Iterator[Reading]:
        crops = [
            head_view(p, h.box, self.card.context, self.card.size)
            for p, h in zip(photos, heads, strict=True)
        ]
        batch = self.tensor(crops)
        with self.lock:
            plain, mirrored = self.network(batch), self.network(batch.flip(3))
        scale = self.card.temperatures
        drawn = (plain["masks"] + mirrored["masks"].flip(3)) / 2
        comb_masks = drawn[:, 0].sigmoid().double().numpy()
        shares = wattle_share(drawn, self.card.context).double().numpy()
        logits = {k: (plain[k] + mirrored[k]) / 2 / scale[k] for k in HEADS}
        offsets = torch.tensor(self.card.offsets)
        combs = (logits["comb"] + offsets).softmax(1).double().numpy()
        sizes = logits["wattles"].softmax(1).double().numpy()
        chances = {
            k: v[:, 0].sigmoid().double().numpy() for k, v in logits.items() if v.shape[1] == 1
        }
        for i, (photo, head) in enumerate(zip(photos, heads, strict=True)):
            comb = combs[i] / combs[i].sum()
            beard, readable = float(chances["beard"][i]), float(chances["readable"][i])
            limits = self.card.set_thresholds
            plausible = [c for c, p in zip(COMBS, comb, strict=True) if p >= limits[c]]
            best = COMBS[int(comb.argmax())]
            told = dict(zip(WATTLES, sizes[i].tolist(), strict=True))
            yield judge(
                Reading(
                    photo=photo.name,
                    head=head,
                    comb=tuple(float(p) for p in comb),
                    none_of_these=float(chances["none"][i]),
                    readable=readable,
                    plausible=tuple(plausible if best in plausible else [best, *plausible]),
                    crest=float(chances["crest"][i]),
                    beard=beard,
                    wattles=wattles_from(
                        told, float(shares[i]), self.card.wattle_error, beard, readable
                    ),
                    complaints=tuple(complaints(tight_crop(photo, head.box), shorter(head.box))),
                    remarks=photo.remarks,
                    model=self.card.model,
                    young=float(chances["young"][i]),
                    outline=outline(comb_masks[i], head.box, self.card.context),
                )
            )


def around(box: Sequence[float], photo: Photo) -> tuple[int, int, int, int] | None:
    """Return a window of a photo's working image for a closer look at a found head.

    None where the head fills so much of the image that nothing would be gained.
    """
    image, side = photo.image, max(box[2] - box[0], box[3] - box[1]) * CLOSER
    if side >= 0.8 * max(image.size):
        return None
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    x0, y0 = max(0, int(x - side / 2)), max(0, int(y - side / 2))
    x1, y1 = min(image.width, int(x + side / 2) + 1), min(image.height, int(y + side / 2) + 1)
    return (x0, y0, x1, y1) if x1 - x0 >= 2 and y1 - y0 >= 2 else None


def best_match(
    box: Sequence[float], closer: Sequence[float], window: tuple[int, int, int, int]
) -> list[float]:
    """Return the mean of a box and of what a closer look in `window` found, if they are of one
    head.
    """
    moved = [v + window[k % 2] for k, v in enumerate(closer)]
    if iou(list(box), moved) <= SAME_HEAD:
        return list(box)
    return [(a + b) / 2 for a, b in zip(box, moved, strict=True)]


def outline(
    mask: NDArray[np.float64], box: Box, context: float
) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Rings round what a mask (m, m) of 0..1 shows, in pixels of the photo that `box` is of.

    The mask covers the square view round the box; rings of fewer than four points are left out.
    """
    from contourpy import contour_generator

    size = len(mask)
    side = max(box[2] - box[0], box[3] - box[1]) * context
    left, top = (box[0] + box[2]) / 2 - side / 2, (box[1] + box[3]) / 2 - side / 2
    step = side / size
    # A border of nothing closes rings at the edge.
    lines = contour_generator(z=np.pad(mask, 1)).lines(0.5)
    rings = []
    for line in lines:
        points = [(left + (x - 0.5) * step, top + (y - 0.5) * step) for x, y in np.asarray(line)]
        if len(points) >= 4:
            rings.append(tuple((round(x, 1), round(y, 1)) for x, y in points))
    return tuple(rings)


def tight_crop(photo: Photo, box: Box) -> Image.Image:
    """Return what the box holds, in working pixels."""
    x0, y0, x1, y1 = (round(v * photo.scale) for v in box)
    return photo.image.crop((x0, y0, max(x1, x0 + 2), max(y1, y0 + 2)))


def found_box(photo: Photo, score: float, box: list[float]) -> HeadBox:
    """Return a found box cut to the photo, or the whole photo if the score is too low."""
    more_x, more_y = ((box[k + 2] - box[k]) * (rules()["finder"]["grow"] - 1) / 2 for k in (0, 1))
    x0, y0 = max(0.0, box[0] - more_x), max(0.0, box[1] - more_y)
    x1 = min(float(photo.width), box[2] + more_x)
    y1 = min(float(photo.height), box[3] + more_y)
    if score < rules()["finder"]["least_score"] or x1 - x0 < 2 or y1 - y0 < 2:
        return HeadBox((0.0, 0.0, float(photo.width), float(photo.height)), "whole", score)
    return HeadBox((x0, y0, x1, y1), "found", score)


def clip_box(box: Box, photo: Photo) -> Box:
    """Return a given box cut to the photo; ValueError if nothing of it is left."""
    x0, y0, x1, y1 = box
    cut = (max(0.0, x0), max(0.0, y0), min(x1, photo.width), min(y1, photo.height))
    if not (cut[2] - cut[0] >= 1 and cut[3] - cut[1] >= 1):
        raise ValueError(
            f"box {x0:g},{y0:g},{x1:g},{y1:g} has no area within the "
            f"{photo.width} x {photo.height} photo"
        )
    return cut
