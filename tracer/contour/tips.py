"""Draw rings out to sharp tips that are finer than the pixels.

Where ink or an opening runs out to a point, the level line ends as soon as less than half of each
pixel is covered: at a tip of 10 degrees three pixels early and more, at one of 60 most of a pixel.
The faint pixels beyond still say where the point is.
"""

import numpy as np

from tracer.contour.area import Index, area_of, cross_free, crossings
from tracer.contour.tip_match import Sight, Tip, fitted, place_of
from tracer.contour.tip_sides import ARM_PX, arms_of, spacing
from tracer.model import Coverage, Points

_SPREAD_PX = 4.0
"""A ring turns back where its arms end no further apart than this: at tips of up to 75 degrees."""
_WAYS = ((1.4, 5.0), (1.0, 3.0), (0.7, 2.0))
"""(width of the tip from where on its sides are told apart, length over which they are begun from),
px, in turn: where sides are much bent only their ends tell of the tip."""
_SETTLED = 0.002
"""As little as 8 bits leave missing: no other way is tried."""
_BEAD_PX2 = 4.0
"""Where a needle goes between pixels it breaks into rings smaller than this."""
_MET_PX = 1.0
"""A tip whose way comes this near to a crossing is taken back."""


def drawn_out(
    rings: tuple[Points, ...], coverage: Coverage, most_missing: float
) -> tuple[Points, ...]:
    """Return the rings with sharp tips drawn out to where the pixels say that they end.

    Both sides of a tip are taken for arcs that meet. They are moved until the exact area that they
    leave in the pixels about them is the coverage seen there, by least squares (Gauss-Newton,
    damped as by Levenberg 1944). A tip is drawn so only if that leaves next to nothing missing, and
    at most half of what was missing before where that was more; so in noisy artwork hardly any is.
    Small rings into which a needle had broken are part of it then, and go.

    Promised: no ring crosses or touches itself or another; all else stays as it is.

    Not promised: blunt tips, those wider than about 75 degrees, or those whose sides bend by much
    within some pixels of it.

    Parameters
    ----------
    rings
        Refined rings, vertices about evenly spaced, none crossing or touching itself or another.
    coverage
        The coverage that they were refined to.
    most_missing
        What coverage of the pixels about a tip may be off by, root of the mean square.

    Notes
    -----
    Own method.
    """
    if not rings:
        return rings
    sight = Sight.of(rings, coverage)
    beads = [k for k, ring in enumerate(rings) if abs(area_of(ring)) < _BEAD_PX2]
    tips = []
    for number, ring in enumerate(rings):
        if number in beads:
            continue
        for at in _turning_back(ring).tolist():
            tip = _best_tip(sight, rings, beads, number, at)
            if tip is not None and tip.missing <= most_missing:
                tips.append(tip)
    return _with_tips(rings, tips)


def _turning_back(ring: Points) -> Index:
    """Return the vertices at which a ring turns back, as far as its vertices tell."""
    reach = max(2, round(ARM_PX / spacing(ring)))
    if len(ring) < 4 * reach:
        return np.empty(0, dtype=np.intp)
    apart = np.hypot(*(np.roll(ring, reach, axis=0) - np.roll(ring, -reach, axis=0)).T)
    least = apart < _SPREAD_PX
    for k in range(1, reach + 1):
        least &= (apart <= np.roll(apart, k)) & (apart < np.roll(apart, -k))
    return np.flatnonzero(least)


def _best_tip(
    sight: Sight, rings: tuple[Points, ...], beads: list[int], number: int, at: int
) -> Tip | None:
    """Return the tip at vertex `at` of a ring by the way that leaves least, None if there is none.

    Often the first way settles it.
    """
    best: Tip | None = None
    for clear_px, side_px in _WAYS:
        arms = arms_of(rings[number], at, clear_px, side_px)
        if arms is None:
            continue
        place = place_of(sight, rings, beads, number, arms)
        tip = None if place is None else fitted(place, arms, number)
        if tip is not None and (best is None or tip.missing < best.missing):
            best = tip
        if best is not None and best.missing < _SETTLED:
            break
    return best


def _with_tips(rings: tuple[Points, ...], tips: list[Tip]) -> tuple[Points, ...]:
    """Return the rings with those of the tips that meet nothing, the best of those that overlap."""
    free = [np.ones(len(ring), dtype=np.bool_) for ring in rings]
    chosen = []
    for tip in sorted(tips, key=lambda tip: tip.missing):
        if free[tip.ring][_inner(tip, len(rings[tip.ring]))].all():
            free[tip.ring][_inner(tip, len(rings[tip.ring]))] = False
            chosen.append(tip)
    while chosen:
        new = _spliced(rings, chosen)
        if cross_free(new):
            return new
        at = np.array([place for _, place in crossings(new)])
        met = [float(np.hypot(*(tip.way[:, None] - at).T).min()) for tip in chosen]
        most = max(_MET_PX, min(met))
        chosen = [tip for tip, away in zip(chosen, met, strict=True) if away > most]
    return rings


def _inner(tip: Tip, count: int) -> Index:
    """Return the vertices of a ring of `count` that a tip replaces."""
    return (tip.first + np.arange(1, (tip.last - tip.first) % count)) % count


def _spliced(rings: tuple[Points, ...], tips: list[Tip]) -> tuple[Points, ...]:
    """Return the rings, each from its first vertex on, with tips in place of what they replace."""
    gone = {bead for tip in tips for bead in tip.beads}
    new = []
    for number, ring in enumerate(rings):
        own = [tip for tip in tips if tip.ring == number]
        kept = np.ones(len(ring), dtype=np.bool_)
        for tip in own:
            kept[_inner(tip, len(ring))] = False
        order = [np.flatnonzero(kept), *(np.full(len(tip.way), tip.first + 0.5) for tip in own)]
        points = np.concatenate([ring[kept], *(tip.way for tip in own)])
        if number not in gone:
            new.append(points[np.argsort(np.concatenate(order), kind="stable")])
    return tuple(new)
