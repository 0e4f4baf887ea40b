"""Photos in, readings out: finds the head, reads it, says what it doubts."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.special import expit, softmax

from classifier import novelty
from classifier.adaptation.bank import bank_of
from classifier.adaptation.change import Change, changed_card, changed_tensors
from classifier.boxes import Box, iou, shorter
from classifier.card import SHIPPED, load_card
from classifier.networks import Networks, OnnxNetworks, kept_tensors, manner_of
from classifier.outputs import HEADS, Array, all_peaks, peaks, wattle_share
from classifier.photo import Photo, head_view
from classifier.quality import Quality, complaints, measured, rules
from classifier.reading import HeadBox, Reading, judge, wattles_from
from classifier.sureness import described, weighed
from classifier.vocabulary import COMBS, WATTLES

T = TypeVar("T")
BATCH = 16
# On two cores the finder is fastest with few pictures at a time: more leave the cache.
FINDER_BATCH = 2
WIDE_BATCH = 64  # of networks that are quicker with many
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

    def __init__(
        self,
        folder: Path = SHIPPED,
        networks: Networks | None = None,
        change: Change | None = None,
    ) -> None:
        """Load weights and card from `folder`; CardError if they don't fit each other.

        `networks` take the place of those that ONNX Runtime runs. A `change` is what was learned
        from a flock (see `adaptation`).
        """
        self.folder, self.change = folder, change
        self.shipped = load_card(folder)
        self.card = changed_card(self.shipped, change) if change else self.shipped
        tensors = self.tensors()
        self.networks: Networks = networks or OnnxNetworks(tensors, self.card)
        self.manner = manner_of(tensors)
        self.finds, self.reads = FINDER_BATCH, BATCH  # pictures at a time
        self.hands: Executor | None = None
        if self.networks.wide:
            self.finds = self.reads = WIDE_BATCH
            self.hands = ThreadPoolExecutor(os.cpu_count() or 1)

    def each(self, do: Callable[..., T], *values: Iterable[Any]) -> list[T]:
        """Return what is made of each picture: by several hands where the networks wait for it.

        Pillow and numpy leave Python's lock alone while they work.
        """
        return list((self.hands.map if self.hands else map)(do, *values))

    def tensors(self) -> Mapping[str, NDArray[Any]]:
        """Return the weights as they are in use. Raises CardError."""
        tensors = kept_tensors(self.folder, self.shipped)
        if self.change is None:
            return tensors
        return changed_tensors(tensors, self.shipped, self.change, bank_of(self.shipped))

    def batch(self, images: Sequence[Image.Image]) -> Array:
        """Images of one size as a normalised batch (n, 3, s, s)."""
        return np.stack(self.each(self._normalised, images))

    def _normalised(self, image: Image.Image) -> Array:
        """Return an image as normalised numbers (3, s, s)."""
        pixels = np.asarray(image.convert("RGB"), np.float32)
        scaled = (pixels / 255 - self.card.mean) / self.card.std
        return np.ascontiguousarray(scaled.transpose(2, 0, 1), np.float32)

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

    def find(self, photos: Sequence[Photo]) -> list[HeadBox]:
        """Return the most prominent head of each photo; the whole photo where no head is found."""
        heads: list[HeadBox] = []
        for start in range(0, len(photos), self.finds):
            batch = photos[start : start + self.finds]
            heads += self._closer(batch, self._peaks([photo.image for photo in batch]))
        return heads

    def _closer(
        self, photos: Sequence[Photo], first: Sequence[tuple[float, list[float]]]
    ) -> list[HeadBox]:
        """Heads from scores and boxes in working pixels, small ones looked at once more."""
        least = rules()["finder"]["least_score"]
        windows = [
            around(box, photo) if score >= least else None
            for photo, (score, box) in zip(photos, first, strict=True)
        ]
        again = [
            photo.image.crop(window)
            for photo, window in zip(photos, windows, strict=True)
            if window
        ]
        looks = iter(
            look
            for start in range(0, len(again), self.finds)
            for look in self._peaks(again[start : start + self.finds])
        )
        heads = []
        for photo, (score, box), window in zip(photos, first, windows, strict=True):
            better = best_match(box, next(looks)[1], window) if window else box
            heads.append(found_box(photo, score, [v / photo.scale for v in better]))
        return heads

    def _peaks(self, images: Sequence[Image.Image]) -> list[tuple[float, list[float]]]:
        """Score and box of the most prominent head of each image, in pixels of the image."""
        if not images:
            return []
        canvases = self.each(self.canvas, images)
        heat, sides = self.networks.find(self.batch([c for c, _ in canvases]))
        return [
            (score, [v / scale for v in box])
            for (_, scale), (score, box) in zip(canvases, peaks(heat, sides), strict=True)
        ]

    def find_all(self, photo: Photo) -> list[HeadBox]:
        """All heads of a photo, the surest first; the whole photo if there is none.

        Each is looked at once more from close by, as `find` does.
        """
        canvas, scale = self.canvas(photo.image)
        heat, sides = self.networks.find(self.batch([canvas]))
        first = [
            (score, [v / scale for v in box])
            for score, box in all_peaks(heat[0], sides[0], rules()["finder"]["least_score"])
        ]
        found = [head for head in self._closer([photo] * len(first), first) if head.found]
        return found or self._closer(
            [photo], [(score, [v / scale for v in box]) for score, box in peaks(heat, sides)]
        )

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
            for start in range(0, len(photos), self.reads)
            for reading in self._batch(
                photos[start : start + self.reads], heads[start : start + self.reads]
            )
        ]

    def _view(self, photo: Photo, head: HeadBox) -> tuple[Image.Image, Quality]:
        """Return what the reader sees of a head, and how good a picture of it there is."""
        crop = head_view(photo, head.box, self.card.context, self.card.size)
        return crop, measured(tight_crop(photo, head.box), shorter(head.box))

    def _batch(self, photos: Sequence[Photo], heads: Sequence[HeadBox]) -> Iterator[Reading]:
        views = self.each(self._view, photos, heads)
        crops = [crop for crop, _ in views]
        batch = self.batch(crops)
        plain = self.networks.read(batch)
        mirrored = self.networks.read(np.ascontiguousarray(batch[..., ::-1]))
        scale = self.card.temperatures
        drawn = (plain["masks"] + mirrored["masks"][..., ::-1]) / 2
        comb_masks = expit(drawn[:, 0].astype(np.float64))
        shares = wattle_share(drawn, self.card.context)
        logits = {k: (plain[k] + mirrored[k]).astype(np.float64) / 2 / scale[k] for k in HEADS}
        combs = softmax(logits["comb"] + np.array(self.card.offsets), axis=1)
        sizes = softmax(logits["wattles"], axis=1)
        chances = {k: expit(v[:, 0]) for k, v in logits.items() if v.shape[1] == 1}
        unlike = novelty.distance(plain["pooled"], self.manner).tolist()
        for i, (photo, head) in enumerate(zip(photos, heads, strict=True)):
            comb = combs[i] / combs[i].sum()
            mine = {k: float(v[i]) for k, v in chances.items()}
            limits = self.card.set_thresholds
            plausible = [c for c, p in zip(COMBS, comb, strict=True) if p >= limits[c]]
            best = COMBS[int(comb.argmax())]
            told = dict(zip(WATTLES, sizes[i].tolist(), strict=True))
            quality = views[i][1]
            mistake = weighed(self.card.mistakes, described(comb, mine, quality, unlike[i]))
            yield judge(
                Reading(
                    photo=photo.name,
                    head=head,
                    comb=tuple(float(p) for p in comb),
                    none_of_these=mine["none"],
                    readable=mine["readable"],
                    plausible=tuple(plausible if best in plausible else [best, *plausible]),
                    crest=mine["crest"],
                    beard=mine["beard"],
                    wattles=wattles_from(
                        told,
                        float(shares[i]),
                        self.card.wattle_error,
                        mine["beard"],
                        mine["readable"],
                    ),
                    complaints=tuple(complaints(quality)),
                    remarks=photo.remarks,
                    model=self.card.model,
                    young=mine["young"],
                    frontal=mine["frontal"],
                    mistake=mistake,
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
