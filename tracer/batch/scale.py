"""One pitch for a whole set, so that it keeps its proportions."""

from collections.abc import Callable, Iterator
from typing import Any

from tracer.batch.plan import Wishes
from tracer.batch.task import Answer, Box, Pool, Task
from tracer.settings import Size, SizeBy

_NEAR_BOX = 0.9
"""Share of a box from which on an artwork may come to overfill it by its repairs."""

_MOST_FITTINGS = 4

Extents = dict[int, tuple[float, float]]
Load = Callable[[int, Size], Task | None]
"""Gives the task of an artwork, by number, at a size; None if it cannot be read."""


def settled_pitch(
    pool: Pool, load: Load, extents: Extents, wishes: Wishes, ending: Callable[[], bool]
) -> Size | None:
    """Return the pitch that the whole set gets; None if no artwork can be worked.

    Parameters
    ----------
    pool
        Works those that decide.
    load
        Gives their tasks.
    extents
        Width and height of the ink in pixels by number of the artwork.
    wishes
        With a width or height, which the largest of the set gets, or a box that all must fit in.
    ending
        Whether the run is to end.
    """
    left = dict(extents)
    while left and not ending():
        number, size = common_pitch(left, wishes)
        task = load(number, size)
        for _, answer in pool.run(iter([] if task is None else [(number, task)])):
            if reports := answer.get("reports"):
                pitch_mm = float(str(reports[0]["pitch_mm"]))
                if wishes.box is not None:
                    pitch_mm = _pitch_in_box(pool, load, left, wishes.box, pitch_mm)
                return Size(SizeBy.PITCH, pitch_mm)
        del left[number]  # it cannot be worked, so it does not decide
    return None


def _pitch_in_box(pool: Pool, load: Load, extents: Extents, box: Box, pitch_mm: float) -> float:
    """Return a pitch at which the finished outlines of all fit into the box.

    Repairs make an outline larger than its ink, so those that nearly fill the box are worked at
    the pitch and measured.
    """
    near = [n for n, extent in extents.items() if box.filled_by(extent, pitch_mm) > _NEAR_BOX]
    for _ in range(_MOST_FITTINGS):
        answers = pool.run(_tasks(load, near, Size(SizeBy.PITCH, pitch_mm)))
        fill = max((_fill(answer, box) for _, answer in answers), default=0.0)
        if fill <= 1:
            break
        pitch_mm /= fill
    return pitch_mm


def _tasks(load: Load, numbers: list[int], size: Size) -> Iterator[tuple[int, Task]]:
    for number in numbers:
        task = load(number, size)
        if task is not None:
            yield number, task


def _fill(answer: Answer, box: Box) -> float:
    """Return how far the finished outlines of an answer fill a box; 0 if there are none."""
    drawings: list[Any] = [report["drawing"] for report in answer.get("reports", [])]
    sides = ((drawing["width_mm"], drawing["height_mm"]) for drawing in drawings)
    return max((box.filled_by(side, 1.0) for side in sides), default=0.0)


def common_pitch(extents: dict[int, tuple[float, float]], wishes: Wishes) -> tuple[int, Size]:
    """Return which artwork decides the common pitch of a set, and the size it must have.

    Parameters
    ----------
    extents
        Width and height of the ink in pixels by number of the entry, not empty.
    wishes
        With a width or height, which the largest of the set gets, or a box that all must fit in.
    """
    box, size = wishes.box, wishes.settings.size

    def pitch(extent: tuple[float, float]) -> tuple[float, Size]:
        width, height = extent
        if box is not None:
            both = [(box.width_mm / width, Size(SizeBy.WIDTH, box.width_mm)),
                    (box.height_mm / height, Size(SizeBy.HEIGHT, box.height_mm))]  # fmt: skip
            return min(both, key=lambda pair: pair[0])
        return size.mm / (width if size.by is SizeBy.WIDTH else height), size

    number = min(extents, key=lambda n: (pitch(extents[n])[0], n))
    return number, pitch(extents[number])[1]
