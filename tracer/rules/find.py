"""Find thin places, small bodies and sharp tips on a skeleton.

Works on one side, metal or mould. With r half the limit, the thin part of the skeleton is where
the disc is smaller than r. A connected thin part that runs into wider parts at two mouths or more
is a neck; at one it hangs on, and counts if it stands out further than r (1 / sin(a / 2) - 1) with
a = 60 degrees, that is further than a corner of 60 degrees does; with none the whole body is thin.

Pixels round points off, and differently in each copy of the same artwork. So where the sides of a
place at one mouth converge, they tell how sharp it is; what is left of its point need only reach as
far as a corner of 60 degrees within the accuracy of the artwork.
"""

from dataclasses import dataclass, replace

import numpy as np
import shapely

from tracer.rules.skeleton import Bools, Floats, Ints, Skeleton, components

CORNER = 1.0
"""1 / sin(a / 2) - 1 for the sharpest corner that counts as one, a = 60 degrees."""
LONG = 3.0
"""A body longer than three of its widths is a line (or slot), a shorter one an island (opening)."""
NEEDLE = 8.0
"""A tip that would come out shorter by more than this many r (four widths) is a thin line:
its sides converge by less than 12.8 degrees."""
_NOISE = 1.03
_HALVINGS = 12
_BEAD = 1.35
_KNOB = 1.15
"""What is wider by this than on the way to it is no point."""
_ON_THE_WAY = 0.97
"""Share of the way to the far end that a disc and what lies beyond it reach, if it leads there."""
_TAPERS = 1.3
"""Between the areas, over d h, of a point (at most 1) and of a stroke's end (1.4 and more)."""


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A thin place of one side. `nodes` are its part of the skeleton, `line` its centre line.

    `points` are those ends of the line that lie before a point of the outline, not a flat end.
    """

    nodes: Ints
    line: Ints
    points: Ints
    mouths: int
    body: int
    half: float
    at: complex
    lost: float  # how far it stands out beyond the disc at its mouth
    runs_out: bool  # tapers to a point
    is_tip: bool  # a corner sharper than 60 degrees, and no needle


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A piece of metal or an opening in it."""

    number: int
    half: float  # radius of the inscribed circle
    at: complex
    area: float

    @property
    def is_long(self) -> bool:
        """Whether it is a line rather than a dot: compares its area with its width squared."""
        return self.area > LONG * (2 * self.half) ** 2


@dataclass(frozen=True, slots=True, eq=False)
class _Thinned:
    """The thin part of a side, by node: what its ends were stripped to, see `_peel`.

    `branch` tells which nodes lie on a branch that hangs on to `line` or to a mouth and stands out
    further than a corner, all the way: not those in the bumps that pixels leave along a side.
    `point` tells from which on a branch runs out to a point, so that a disc of radius r about
    them would stand out of it; `last` which of those are the first on their way to the point.
    """

    line: Bools
    lost: Floats
    branch: Bools
    point: Bools
    last: Bools
    beyond: Ints  # the wider node that a node at a mouth is linked to, else -1
    r: float
    doubt: float  # how well the place of an edge is known, mm


def bodies(axis: Skeleton, side: Bools) -> tuple[Body, ...]:
    """Return the bodies of a side with their inscribed circles, without the open ground."""
    index = np.flatnonzero(side & (axis.body != axis.ground))
    if not len(index):
        return ()
    order = index[np.lexsort([axis.half[index], axis.body[index]])]
    last = np.flatnonzero(np.append(axis.body[order][1:] != axis.body[order][:-1], True))
    areas = np.bincount(axis.body[index], weights=axis.area[index])
    return tuple(
        Body(
            int(axis.body[k]),
            float(axis.half[k]),
            complex(axis.centre[k]),
            float(areas[axis.body[k]]),
        )
        for k in order[last]
    )


def thin_places(axis: Skeleton, side: Bools, limit: float, target: float) -> tuple[Place, ...]:
    """Return the places of a side narrower than `limit`, each as far as it is below `target`.

    Where a whole body is thinner than `target` it is one place without mouths.
    """
    if limit <= 0:
        return ()
    r = target / 2
    count = len(axis.half)
    a, b = axis.link[side[axis.link[:, 0]]].T
    thin = side & (axis.half < r)
    if not thin.any():
        return ()
    thin |= _beads(axis, side, thin, a, b, r)
    both = thin[a] & thin[b]
    group = components(count, a[both], b[both])
    one = thin[a] != thin[b]
    inner = np.where(thin[a], a, b)[one]
    mouths = np.bincount(group[inner], minlength=count)
    peeled = _peel(axis, thin, a, b)
    beyond = np.full(count, -1)
    beyond[inner] = np.where(thin[a], b, a)[one]
    point, last = _points(axis, thin, peeled, a[both], b[both], r)
    thinned = _Thinned(
        peeled.line,
        peeled.lost,
        _branches(axis, thin, peeled, beyond >= 0, a[both], b[both]),
        point,
        last,
        beyond,
        r,
        target - limit,
    )
    found = []
    members = np.flatnonzero(thin)
    members = members[np.argsort(group[members], kind="stable")]
    members = members[(mouths[group[members]] != 1) | _may_stand_out(axis, thinned, members, group)]
    if not len(members):
        return ()
    starts = np.flatnonzero(np.append(True, np.diff(group[members]) != 0))
    for nodes in np.split(members, starts[1:]):
        place = _place(axis, thinned, nodes, int(mouths[group[nodes[0]]]))
        if place is not None and place.half * 2 < limit:
            found.append(place)
    return _merged(found, r)


def _merged(found: list[Place], r: float) -> tuple[Place, ...]:
    """Join necks that are the same pinch, split by a sample in its middle."""
    kept: list[Place] = []
    cells: dict[tuple[int, int, int], int] = {}  # body and place to the number of a neck
    for place in sorted(found, key=lambda p: p.half):
        x, y = round(2 * place.at.real / r), round(2 * place.at.imag / r)
        around = [(place.body, x + i, y + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
        near = [cells[cell] for cell in around if place.mouths > 1 and cell in cells]
        same = [k for k in near if abs(place.at - kept[k].at) < r / 2]
        if same:
            other = kept[same[0]]
            kept[same[0]] = replace(
                other,
                nodes=np.union1d(other.nodes, place.nodes),
                line=np.union1d(other.line, place.line),
                points=np.union1d(other.points, place.points),
            )
            continue
        if place.mouths > 1:
            cells[place.body, x, y] = len(kept)
        kept.append(place)
    return tuple(kept)


def _place(axis: Skeleton, thinned: _Thinned, nodes: Ints, mouths: int) -> Place | None:
    branch = nodes[thinned.branch[nodes]]
    facing = branch[axis.facing[branch]]
    outward = branch[thinned.lost[branch] > CORNER * _NOISE * axis.half[branch]]
    core = np.union1d(nodes[thinned.line[nodes]], outward)
    out, runs_out = 0.0, False
    if mouths == 1:
        root = nodes[thinned.beyond[nodes] >= 0][0]
        mouth, half, out = _mouth(axis, thinned, nodes)
        runs_out = _runs_out(axis, thinned, nodes, mouth, half, out)
        if out <= CORNER * _NOISE * half and not runs_out:
            return None
        if runs_out:  # as at the disc that is as wide as the limit
            out *= thinned.r / half
            core = np.union1d(core, root)
    if mouths <= 1:
        core = np.union1d(facing, core) if len(facing) or runs_out else facing
    if not len(core):
        return None
    opposed = core[axis.facing[core]]
    least = opposed[axis.half[opposed].argmin()] if len(opposed) else core[axis.half[core].argmin()]
    is_tip = runs_out and out < NEEDLE * float(axis.half[nodes].max())
    ended = core[~thinned.point[core] | thinned.last[core]]
    core = ended if len(ended) else core
    return Place(
        nodes=nodes,
        line=core,
        points=core[thinned.last[core]],
        mouths=mouths,
        body=int(axis.body[nodes[0]]),
        half=0.0 if is_tip else float(axis.half[least]),
        at=complex(axis.centre[least]),
        lost=out,
        runs_out=runs_out,
        is_tip=is_tip,
    )


def _may_stand_out(axis: Skeleton, thinned: _Thinned, members: Ints, group: Ints) -> Bools:
    """Tell which nodes may be of a place at one mouth that stands out far enough to count.

    From disc to disc away from its far end a place stands out the more, as radii grow by no more
    than the way: seen from the wider disc beyond its mouth, it does so the most.
    """
    roots = members[thinned.beyond[members] >= 0]
    root = np.zeros(len(group), dtype=np.int64)
    root[group[roots]] = roots
    root = root[group[members]]
    wider = thinned.beyond[root]
    corners = axis.corners[members]
    ends = np.where(corners >= 0, axis.point[corners], np.nan)
    most = np.zeros(len(group))
    for disc in (root, wider):
        out = np.nanmax(np.abs(ends - axis.centre[disc, None]), axis=1, initial=0) - axis.half[disc]
        np.maximum.at(most, group[members], out)
    enough = CORNER * _NOISE * thinned.r - thinned.doubt
    found: Bools = (most[group[members]] > enough) | ~np.isfinite(axis.half[wider])
    return found


def _mouth(axis: Skeleton, thinned: _Thinned, nodes: Ints) -> tuple[complex, float, float]:
    """Return centre and radius of the disc at a mouth, and how far the place stands out of it.

    It is the disc of radius r between the last thin node and the wider one beyond it, wherever
    along the sides the samples happen to lie: copies of an artwork are sampled differently.
    """
    root = nodes[thinned.beyond[nodes] >= 0][0]
    here, half = complex(axis.centre[root]), float(axis.half[root])
    corners = axis.corners[nodes]
    ends = axis.point[corners[corners >= 0]]

    def stands_out(of: complex, radius: float) -> float:
        return float(np.abs(ends - of).max(initial=radius)) - radius

    wider = thinned.beyond[root]
    if not np.isfinite(axis.half[wider]):
        return here, half, stands_out(here, half)
    way, wide, r = complex(axis.centre[wider]) - here, float(axis.half[wider]), thinned.r
    mouth = here + (r - half) / (wide - half) * way  # between straight sides
    if stands_out(mouth, r) <= CORNER * _NOISE * r < stands_out(here + way, wide):
        mouth = here + _share(axis, here, way, r) * way
    return mouth, r, stands_out(mouth, r)


def _share(axis: Skeleton, here: complex, way: complex, r: float) -> float:
    """Return at which share of a way a disc first has radius `r`, by halving."""
    ends = np.stack([axis.point, axis.point[axis.after]], axis=1)
    outline = shapely.multilinestrings(np.stack([ends.real, ends.imag], axis=-1))
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        at = here + middle * way
        clear = shapely.distance(outline, shapely.Point(at.real, at.imag))
        low, high = (middle, high) if clear < r else (low, middle)
    return high


def _runs_out(
    axis: Skeleton, thinned: _Thinned, nodes: Ints, mouth: complex, half: float, out: float
) -> bool:
    """Tell whether the sides of a place at one mouth meet in a point sharper than 60 degrees.

    They are followed where they are well apart. A point that pixels or a blur rounded off by as
    much as the place of the edge is in doubt is still the point that was drawn.
    """
    far = np.abs(axis.centre[nodes] - mouth)
    wide = axis.half[nodes]
    # nodes on the way to the far end, not those in the corners of a stub
    apart = (far + thinned.lost[nodes] + wide > 0.9 * (half + out)) & (wide >= 0.5 * half)
    far, wide = np.append(far[apart], 0.0), np.append(wide[apart], half)
    away = far - far.mean()
    spread = float(away @ away)
    slope = -float(away @ wide) / spread if spread > 0 else 0.0  # sine of half the angle
    blunt = CORNER * _NOISE * half
    if not 0 < slope < 1 or not _tapers(axis, thinned, nodes, mouth, half, out):
        return False
    end = (half - slope * (half + out)) / (1 - slope)  # radius of what rounds the point
    drawn = half * (1 / slope - 1)  # how far it would stand out if nothing rounded it
    is_sharp = out > blunt or (drawn > blunt + thinned.doubt / 4 and out + thinned.doubt > blunt)
    return bool(is_sharp and end < 0.5 * half + thinned.doubt)


def _tapers(
    axis: Skeleton, thinned: _Thinned, nodes: Ints, root: complex, half: float, out: float
) -> bool:
    """Tell whether the width falls off along the whole place, not at its mouth or neck only.

    A knob counts on the way to the far end, not on a branch beside it, and where it is more than
    the accuracy of the artwork makes of a point.
    """
    reach = np.abs(axis.centre[nodes] - root) + thinned.lost[nodes] + axis.half[nodes]
    facing = nodes[axis.facing[nodes] & (reach > _ON_THE_WAY * (half + out))]
    outward = axis.half[facing[np.argsort(np.abs(axis.centre[facing] - root), kind="stable")]]
    neck = np.minimum.accumulate(outward)
    if (outward > np.maximum(_KNOB * neck, neck + thinned.doubt)).any():
        return False
    far = np.abs(axis.centre[nodes] - root)
    length = far.max()
    if length <= 0:
        return False
    end_half = float(axis.half[nodes[far.argmax()]])
    wide = far[axis.half[nodes] > (half + end_half) / 2]
    return bool(len(wide) and wide.max() > 0.2 * length)


def _beads(axis: Skeleton, side: Bools, thin: Bools, a: Ints, b: Ints, r: float) -> Bools:
    """Tell which wider nodes are mere beads on thin lines: a crossing, a bend, noise.

    A bead is hardly wider than the limit, hardly longer than wide, and joined to thin parts only.
    """
    wide = side & ~thin
    both = wide[a] & wide[b]
    group = components(len(axis.half), a[both], b[both])
    index = np.flatnonzero(wide)
    if not len(index):
        return wide
    count = len(axis.half)
    high = np.zeros(count)
    np.maximum.at(high, group[index], np.minimum(axis.half[index], 1e9))
    box = []
    for values in (axis.centre[index].real, axis.centre[index].imag):
        least, most = np.full(count, np.inf), np.full(count, -np.inf)
        np.minimum.at(least, group[index], values)
        np.maximum.at(most, group[index], values)
        box.append(most - least)
    one = wide[a] != wide[b]
    arms = np.bincount(group[np.where(wide[a], a, b)[one]], minlength=count)
    bead = (high < _BEAD * r) & (np.hypot(*box) < 2 * r) & (arms > 1)
    chosen: Bools = wide & bead[group]
    return chosen


@dataclass(frozen=True, slots=True, eq=False)
class _Peeled:
    """What is left of the thin part when it is stripped from its ends, by node.

    `line`: those on a way between mouths (or around an opening). `lost`: how far the branch beyond
    a node stands out of its disc, `area` what lies in it. `parent`: what a node hung on when it was
    stripped, itself if it was not, and `stands` how far the branch then stood out of that disc.
    """

    line: Bools
    lost: Floats
    area: Floats
    parent: Ints
    stands: Floats


def _peel(axis: Skeleton, thin: Bools, a: Ints, b: Ints) -> _Peeled:
    """Strip the thin parts from their ends."""
    count = len(axis.half)
    degree = np.bincount(a, minlength=count) + np.bincount(b, minlength=count)
    others = np.zeros(count, dtype=np.int64)
    np.add.at(others, a, b)
    np.add.at(others, b, a)
    half = np.where(np.isfinite(axis.half), axis.half, 1e9)
    known = ~np.isnan(axis.end)
    tip = np.where(known, axis.end, axis.centre)
    tip_radius = np.where(known, 0.0, half)
    lost = np.maximum(np.abs(axis.centre - tip) + tip_radius - half, 0)
    area, parent, stands = np.zeros(count), np.arange(count), np.zeros(count)
    left = thin.copy()
    leaves = np.flatnonzero(left & (degree == 1))
    while len(leaves):
        parents = others[leaves]
        # of two leaves that have only each other the later one stays
        single = ~((degree[parents] == 1) & left[parents] & (parents < leaves))
        leaves, parents = leaves[single], parents[single]
        left[leaves] = False
        degree[leaves] = 0
        np.subtract.at(degree, parents, 1)
        np.subtract.at(others, parents, leaves)
        np.add.at(area, parents, area[leaves] + axis.area[leaves])
        reach = np.abs(axis.centre[parents] - tip[leaves]) + tip_radius[leaves] - half[parents]
        parent[leaves], stands[leaves] = parents, reach
        order = np.argsort(reach, kind="stable")
        order = order[reach[order] > lost[parents[order]]]
        up, low = parents[order], leaves[order]
        lost[up] = reach[order]
        tip[up], tip_radius[up] = tip[low], tip_radius[low]
        candidates = np.unique(parents)
        leaves = candidates[left[candidates] & (degree[candidates] == 1)]
    return _Peeled(left, lost, area, parent, stands)


def _branches(
    axis: Skeleton, thin: Bools, peeled: _Peeled, at_mouth: Bools, a: Ints, b: Ints
) -> Bools:
    """Return `_Thinned.branch`; `a` and `b` are the links between thin nodes."""
    blunt = CORNER * _NOISE
    above = axis.half[peeled.parent]
    outward = (peeled.lost > blunt * axis.half) & (peeled.stands > blunt * above)
    member = thin & (outward | (axis.facing & (axis.half > 0.5 * above)))
    held = thin & (peeled.line | at_mouth)
    member |= held
    both = member[a] & member[b]
    group = components(len(thin), a[both], b[both])
    hangs = np.zeros(len(thin), dtype=bool)
    hangs[group[held]] = True
    found: Bools = member & hangs[group]
    return found


def _points(
    axis: Skeleton, thin: Bools, peeled: _Peeled, a: Ints, b: Ints, r: float
) -> tuple[Bools, Bools]:
    """Return `point` and `last` of `_Thinned`; `a` and `b` are the links between thin nodes.

    Where the end of a branch is r away, what lies beyond covers 2 d h of a stroke of half width h
    whose end is d away, but d h cos(b / 2)^3 of a point of angle b.
    """
    count = len(thin)
    to_end = peeled.lost + axis.half
    near = thin & (to_end < r) & ~peeled.line
    both = near[a] & near[b]
    group = components(count, a[both], b[both])
    members = np.flatnonzero(near)
    order = members[np.lexsort([to_end[members], group[members]])]
    first = order[np.append(group[order][1:] != group[order][:-1], True)] if len(order) else order
    # a disc between the two corners of a square end lies wholly within that end
    far = (peeled.parent != np.arange(count)) & (peeled.stands > peeled.lost[peeled.parent] / 2)
    between = np.bincount(peeled.parent[far], minlength=count)[first] > 1
    beyond = peeled.area[first] + axis.area[first] * np.where(between, 1.0, 0.5)
    tapers = first[beyond < _TAPERS * axis.half[first] * to_end[first]]
    is_point = np.zeros(count, dtype=bool)
    is_point[group[tapers]] = True
    last = np.zeros(count, dtype=bool)
    last[tapers] = True
    return near & is_point[group], last
