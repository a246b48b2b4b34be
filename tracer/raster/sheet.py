"""The sheet around the design: scanner frame, slight turn, several designs on it."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from tracer.model import Coverage, Decision
from tracer.raster.scalar import FloatImage

LARGEST_TURN_DEG = 8.0
"""More than this is not a slight turn of a sheet but a drawing of slanted lines. A judgement."""

_LEAST_TURN_DEG = 0.05
_GAP_SHARE = 0.02
_PART_SHARE = 0.05


def without_frame(values: FloatImage) -> tuple[FloatImage, tuple[Decision, ...]]:
    """Return the coverage without a scanner's dark frame.

    A frame is ink that touches at least one whole side of the picture, stays within a twelfth of
    the side from the border, and leaves ink elsewhere.
    """
    import cv2

    rows, columns = values.shape
    margin = max(2, min(rows, columns) // 12)
    sides = (values[0], values[-1], values[:, 0], values[:, -1])
    if not any(float((side >= 0.5).mean()) > 0.9 for side in sides):
        return values, ()
    ink = values >= 0.5
    _, labels, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8), connectivity=4)
    border = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    inner = labels[margin : rows - margin, margin : columns - margin]
    reaching = np.bincount(inner.ravel(), minlength=len(stats))
    frame = [
        int(k)
        for k in np.unique(border)
        if k and reaching[k] == 0 and stats[k, cv2.CC_STAT_AREA] > 0.5 * min(rows, columns)
    ]
    if not frame or reaching[1:].sum() == 0:
        return values, ()
    gone = np.isin(labels, frame).astype(np.uint8)
    gone = np.asarray(cv2.dilate(gone, np.ones((7, 7), np.uint8)))
    out = values.copy()
    out[(gone > 0) & ((labels == 0) | np.isin(labels, frame))] = 0
    text = "a dark frame along the border (the lid of a scanner, a ruling) was left out"
    return out, (Decision("frame", text, "--as-is frame", warning=True, code="W_FRAME"),)


def turn_of(values: FloatImage) -> float:
    """Return by how many degrees a sheet lies turned, counter-clockwise as seen; 0 if unsure.

    The directions of the edges, modulo a quarter turn, pile up at the turn of the sheet where the
    design has straight sides along and across it. Sure: the pile within a quarter degree holds
    four times its share of all edges within 8 degrees.
    """
    import cv2

    soft = cv2.GaussianBlur(values, (0, 0), 1.5)
    across = np.asarray(cv2.Scharr(soft, cv2.CV_32F, 1, 0))
    down = np.asarray(cv2.Scharr(soft, cv2.CV_32F, 0, 1))
    strength = np.hypot(across, down)
    strong = strength > 0.3 * float(strength.max(initial=0.0))
    weights = strength[strong].astype(np.float64)
    angles = np.degrees(np.arctan2(down[strong], across[strong])).astype(np.float64)
    angles = (angles + 45) % 90 - 45
    slight = np.abs(angles) < LARGEST_TURN_DEG
    if np.count_nonzero(slight) < 100:
        return 0.0
    counts, edges = np.histogram(
        angles[slight], bins=np.arange(-LARGEST_TURN_DEG, LARGEST_TURN_DEG + 0.05, 0.1),
        weights=weights[slight],
    )  # fmt: skip
    piled = np.convolve(counts, np.ones(5), mode="same")
    top = int(piled.argmax())
    if piled[top] < 4 * piled.mean():
        return 0.0
    centre = float(edges[top]) + 0.05
    near = slight & (np.abs(angles - centre) < 0.6)
    turn = float(np.average(angles[near], weights=weights[near]))
    return -turn if abs(turn) >= _LEAST_TURN_DEG else 0.0


def straightened(values: FloatImage) -> tuple[FloatImage, tuple[Decision, ...]]:
    """Return the coverage turned upright about its middle, the size kept, with what was done."""
    import cv2

    turn = turn_of(values)
    if turn == 0.0:
        text = "no slight turn was found: left as it lies"
        return values, (Decision("turn", text, "--straighten"),)
    rows, columns = values.shape
    middle = (columns / 2 - 0.5, rows / 2 - 0.5)
    matrix = cv2.getRotationMatrix2D(middle, -turn, 1.0)
    out = np.asarray(
        cv2.warpAffine(values, matrix, (columns, rows), flags=cv2.INTER_CUBIC, borderValue=0)
    )
    text = f"the sheet lay turned by {turn:+.2f}°: turned upright"
    return np.clip(out, 0, 1).astype(np.float32, copy=False), (
        Decision("turn", text, "--straighten"),
    )


def split_designs(coverage: Coverage) -> tuple[Coverage, ...]:
    """Return one coverage for each design on a sheet, in reading order.

    Pieces nearer to each other than 2 % of the sheet's longest side are of one design; a group
    smaller than a twentieth of the largest belongs to the design next to it. Reading order: rows
    from the top, designs of a row (those that overlap its first one by half their height) from
    the left. Every result has the size of the sheet, so places on it keep their meaning.
    """
    values = coverage.values
    groups = _groups(values >= 0.5, max(2, round(_GAP_SHARE * max(values.shape))))
    count = int(groups.max())
    if count < 2:
        text = "one design was found on the sheet"
        one = Decision("designs", text, "--split")
        return (dataclasses.replace(coverage, decisions=(*coverage.decisions, one)),)
    boxes = [_box(groups == k) for k in range(1, count + 1)]
    out = []
    for place, k in enumerate(_reading_order(boxes), start=1):
        part = np.where(groups == k + 1, values, np.float32(0))
        part.setflags(write=False)
        said = Decision("designs", f"design {place} of {count} on the sheet", "--split")
        out.append(
            dataclasses.replace(coverage, values=part, decisions=(*coverage.decisions, said))
        )
    return tuple(out)


def _groups(ink: NDArray[np.bool_], reach: int) -> NDArray[np.int32]:
    """Return for each pixel the number of its design, from 1; every pixel has one."""
    import cv2

    away = cv2.distanceTransform((~ink).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    joined = (np.asarray(away) <= reach / 2).astype(np.uint8)
    count, labels = cv2.connectedComponents(joined, connectivity=8)
    areas = np.bincount(labels[ink], minlength=count)
    large = np.flatnonzero(areas >= _PART_SHARE * areas[1:].max(initial=0))
    large = large[large > 0]
    if len(large) == 0:
        return np.zeros(ink.shape, np.int32)
    seeds = np.isin(labels, large)
    _, nearest = cv2.distanceTransformWithLabels(
        (~seeds).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    nearest = np.asarray(nearest)
    renumbered = np.zeros(count, np.int32)
    renumbered[large] = np.arange(1, len(large) + 1)
    of_label = np.zeros(int(nearest.max()) + 1, np.int32)
    of_label[nearest[seeds]] = renumbered[labels[seeds]]
    groups: NDArray[np.int32] = of_label[nearest]
    # A small piece goes whole to the design next to it.
    for k in np.setdiff1d(np.arange(1, count), large):
        own = labels == k
        groups[own] = np.bincount(groups[own]).argmax()
    return groups


def _box(mask: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    down, across = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return int(down[0]), int(down[-1]), int(across[0]), int(across[-1])


def _reading_order(boxes: list[tuple[int, int, int, int]]) -> list[int]:
    """Return the indices of boxes (top, bottom, left, right) row by row."""
    left = sorted(range(len(boxes)), key=lambda i: boxes[i])
    order: list[int] = []
    while left:
        top, bottom = boxes[left[0]][:2]
        row = [
            i
            for i in left
            if min(bottom, boxes[i][1]) - max(top, boxes[i][0])
            >= 0.5 * min(bottom - top, boxes[i][1] - boxes[i][0])
        ]
        order.extend(sorted(row, key=lambda i: boxes[i][2]))
        left = [i for i in left if i not in row]
    return order
