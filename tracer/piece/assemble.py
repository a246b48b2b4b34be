"""From artwork laid on a blank to the finished plan: the order of the rooms of this package."""

import math
from dataclasses import dataclass, replace

import shapely

from tracer.curves.path import Drawing
from tracer.curves.regions import as_region
from tracer.errors import UsageError
from tracer.model import Finding, Region
from tracer.piece import notes as noted
from tracer.piece.allowance import Allowance
from tracer.piece.amounts import PLA_G_CM3, PRINT_SPARE, RUBBER_SPARE, freeze_s, mass_g, rubber_mm3
from tracer.piece.balance import Mass, integrate, tilt_deg
from tracer.piece.blank import Disc, Grown, Oval, Rectangle, Silhouette, grown_blank
from tracer.piece.edges import EdgeRule, edge_rules, fillet_limit, usable
from tracer.piece.flat import region_of
from tracer.piece.hole import (
    WALL_ADVISED_MM,
    clash_mm,
    hole_diameter,
    place_hole,
    ring_inside_mm,
    wall_of,
)
from tracer.piece.layout import kept_in, overhang_mm2
from tracer.piece.materials import freezing_constant
from tracer.piece.means import (
    MARGIN_MM,
    Means,
    allowance_for,
    draft_for,
    fillet_for,
    fitted,
)
from tracer.piece.mesh import Mesh, mesh_of, nested_layers
from tracer.piece.plan import Amounts, DesignPlan, HolePlan, Plan
from tracer.piece.pour import GRAVITY, Pour, capillary_head_mm, plan_pour
from tracer.piece.solid import Solid, offset, solid_of
from tracer.piece.values import Hole, Level, Note, Piece, Rule
from tracer.piece.wish import Design, PieceWish

_CLIPPED_MM2 = 1e-3
_BEAD_RAD = math.radians(140)
"""Contact angle of a puddle on a mould that it does not wet, from memory."""


@dataclass(frozen=True, slots=True, eq=False)
class PlacedArt:
    """A design where it lies on the piece, not clipped."""

    design: Design
    name: str
    drawing: Drawing
    width_mm: float
    least_metal_mm: float | None
    least_gap_mm: float | None
    findings: tuple[tuple[Finding, tuple[float, float]], ...]


def plan_piece(
    wish: PieceWish, means: Means, arts: tuple[PlacedArt, ...], outline: Drawing
) -> Plan:
    """Plan a piece from its laid out artwork and the outline of its blank.

    Raises
    ------
    UsageError
        What is asked cannot be had: a rounding beyond the limit, a hole outside the piece.
    """
    piece, hole = _shaped(wish, means, arts, outline)
    solid = solid_of(piece)
    rules = edge_rules(piece, hole_is_fixed=wish.hole_at is not None)
    _refuse_rounding(wish, rules)
    mass = integrate(solid)
    designs = tuple(_design_plan(art, solid.outline) for art in arts)
    stocked = _with_stock(wish, piece, solid.outline, has_ear=bool(hole and hole.has_ear))
    stocked_solid = solid if stocked is piece else solid_of(stocked)
    as_cast = mass if stocked is piece else integrate(stocked_solid)
    mesh = mesh_of(stocked_solid)
    allowance = allowance_for(wish, means)
    amounts = _amounts(wish, means, solid, mass, as_cast, mesh, allowance)
    plan = Plan(
        wish=wish,
        piece=piece,
        outline=solid.outline,
        designs=designs,
        rim=_rim_line(wish, solid.outline),
        hole=hole,
        mass=mass,
        tilt_deg=tilt_deg(hole.at, mass.centroid_mm[:2]) if hole else None,
        edge_rules=rules,
        edge_limit_mm=usable(rules[0].limit_mm),
        fillet_limit_mm=fillet_limit(solid)[0],
        allowance=allowance,
        metal=means.metal,
        filling=means.filling,
        process=means.process,
        amounts=amounts,
        pour=_pour(means, solid, arts, hole),
        layers=nested_layers(solid),
        stocked=stocked,
        mesh=mesh.scaled(allowance.master_scale),
        master_mm3=as_cast.volume_mm3 * allowance.master_scale**3,
        notes=(),
    )
    return replace(plan, notes=tuple(_notes(plan, means, arts)))


def _shaped(
    wish: PieceWish, means: Means, arts: tuple[PlacedArt, ...], outline: Drawing
) -> tuple[Piece, HolePlan | None]:
    """Return the solid and its hole."""
    region = region_of(outline)
    levels = [
        Level(
            "raised" if art.design.height_mm > 0 else "sunk",
            _kept(art, region),
            art.design.height_mm,
        )
        for art in arts
        if art.design.height_mm
    ]
    if wish.rim_mm:
        levels.append(_rim(region, *wish.rim_mm))
    piece = Piece(
        outline,
        wish.body_mm,
        tuple(levels),
        None,
        wish.edge_radius_mm or 0.0,
        draft_for(wish, means.process),
        fillet_for(wish, means.process),
    )
    _check_heights(piece)
    if wish.hole.kind == "none":
        return piece, None
    return _with_hole(wish, means, piece, region)


def _with_hole(
    wish: PieceWish, means: Means, piece: Piece, region: Region
) -> tuple[Piece, HolePlan]:
    """Return a piece with its hole, and its ear where it needs one."""
    diameter = hole_diameter(wish.hole, means.limit("through_opening"))
    wall = _wall(wish, piece)
    centroid = integrate(solid_of(replace(piece, edge_radius_mm=0.0))).centroid_mm
    auto = place_hole(region, centroid[0], centroid[1], diameter, wall)
    if isinstance(wish.blank, Grown) and auto.ear is None and _hits(piece, auto.at, diameter):
        # a blank that follows the artwork leaves no room above it
        auto = place_hole(region, centroid[0], math.inf, diameter, wall)
    at, ear = wish.hole_at or auto.at, None
    if wish.hole_at is None and auto.ear is not None:
        ear = auto.ear
        piece = replace(piece, outline=fitted(ear))
        region = region_of(piece.outline)
    left = wall_of(region, at, diameter)
    if left <= 0:
        raise UsageError(
            f"the hole of {diameter:g} mm at {at[0]:g},{at[1]:g} breaks out of the piece",
            hint=f"--hole-at {auto.at[0]:.2f},{auto.at[1]:.2f} keeps {wall:g} mm of wall",
            subject="--hole-at",
        )
    plan = HolePlan(
        at=at,
        diameter_mm=diameter,
        wall_mm=left,
        label=wish.hole.label or f"hole of {diameter:g} mm",
        placed_by="you" if wish.hole_at else "us",
        ring_inside_mm=ring_inside_mm(left, piece.body_mm),
        has_ear=ear is not None,
        level_at=(centroid[0], at[1]),
    )
    return replace(piece, hole=Hole(at, diameter)), plan


def _hits(piece: Piece, at: tuple[float, float], diameter: float) -> bool:
    return any(clash_mm(region_of(level.drawing), at, diameter) > 0 for level in piece.levels)


def _wall(wish: PieceWish, piece: Piece) -> float:
    """Return the wall to keep beside a hole: as advised, and as wide as the rounding.

    Flattened outlines and places to 0.01 mm would take the last hundredth of it.
    """
    lean = math.tan(math.radians(piece.draft_deg))
    rim = wish.rim_mm[0] + MARGIN_MM / 2 if wish.rim_mm else 0.0
    wall = max(WALL_ADVISED_MM, rim, (wish.edge_radius_mm or 0.0) + 2 * piece.body_mm * lean)
    return wall + 0.01


def _check_heights(piece: Piece) -> None:
    if piece.floor_mm <= 0:
        raise UsageError(
            f"sunk {piece.body_mm - piece.floor_mm:g} mm goes through the body ({piece.body_mm:g})",
            hint="sink it less, or take a thicker --body",
            subject="--sunk",
        )


def _kept(art: PlacedArt, region: Region) -> Drawing:
    """Return a design, cut off at its margin inside the rim if it has one."""
    margin = art.design.keep_in_mm
    if margin is None:
        return art.drawing
    drawn = region_of(art.drawing)
    kept = kept_in(drawn, region, margin)
    if kept.is_empty:
        raise UsageError(
            f"nothing of {art.name} lies {margin:g} mm inside the rim",
            hint="a smaller margin, or another --art-at",
            subject="--overhang",
        )
    return art.drawing if drawn.area - kept.area < _CLIPPED_MM2 else fitted(kept)


def _rim(region: Region, width_mm: float, height_mm: float) -> Level:
    """Return a raised rim of a width along the outline."""
    inner = offset(region, -width_mm)
    if inner.is_empty:
        raise UsageError(
            f"a rim of {width_mm:g} mm covers the piece",
            hint="a narrower rim",
            subject="--rim",
        )
    # reaches over the edge, so that it ends in the wall of the piece and not beside it
    return Level("rim", fitted(as_region(offset(region, 0.5).difference(inner))), height_mm)


def _rim_line(wish: PieceWish, region: Region) -> Level | None:
    if wish.rim_mm is None:
        return None
    width, height = wish.rim_mm
    return Level("rim", fitted(offset(region, -width)), height)


def _refuse_rounding(wish: PieceWish, rules: tuple[EdgeRule, ...]) -> None:
    wanted = wish.edge_radius_mm
    first = rules[0]
    limit = usable(first.limit_mm)
    if wanted is None or wanted <= limit + 1e-9:
        return
    works = f"--edge-radius {limit:g}mm works" if limit >= 0.01 else "leave it out here"
    raise UsageError(
        f"a rounding of {wanted:g} mm does not fit at {first.at[0]:.1f},{first.at[1]:.1f}:"
        f" {first.text}",
        hint=works,
        subject="--edge-radius",
        code="E_EDGE_RADIUS",
    )


def _design_plan(art: PlacedArt, outline: Region) -> DesignPlan:
    height = art.design.height_mm
    name = "silhouette" if not height else "raised" if height > 0 else "sunk"
    drawing = _kept(art, outline)
    drawn = region_of(drawing)
    over = overhang_mm2(drawn, outline) if height else 0.0
    if over > _CLIPPED_MM2:
        inside = as_region(drawn.intersection(outline))
        if inside.is_empty:
            raise UsageError(
                f"{art.name} lies outside the blank",
                hint="another --art-at, or a larger --blank",
                subject="--art-at",
            )
        drawing = fitted(inside)
    return DesignPlan(
        art.name,
        Level(name, drawing, height),
        art.width_mm,
        art.design.at,
        art.design.turn_deg,
        over,
        art.findings,
    )


def _with_stock(wish: PieceWish, piece: Piece, outline: Region, *, has_ear: bool) -> Piece:
    """Return the piece before finishing: stock on the profile, the front and the back."""
    stock = wish.finish_mm
    if stock == 0:
        return piece
    grown = None
    if isinstance(wish.blank, Disc | Oval | Rectangle) and not has_ear:
        grown = grown_blank(wish.blank, stock)
    return replace(
        piece,
        outline=grown or fitted(offset(outline, stock)),
        body_mm=piece.body_mm + 2 * stock,
    )


def _amounts(
    wish: PieceWish,
    means: Means,
    solid: Solid,
    mass: Mass,
    as_cast: Mass,
    mesh: Mesh,
    allowance: Allowance,
) -> Amounts:
    metal, filling = means.metal, means.filling
    if wish.density is not None:
        density, by = wish.density, "given"
    elif wish.composition is not None:
        density, by = metal.by_composition, "composition, rule of mixtures"
    else:
        density, by = metal.density, "table"
    rubber = rubber_mm3(
        solid.outline,
        solid.piece.top_mm,
        mass.volume_mm3,
        filling.side_mm,
        filling.base_mm,
        boxed=isinstance(wish.blank, Rectangle),
    )
    cooled = mesh.area_mm2(back=not filling.open_back)
    constant = freezing_constant(metal, filling)
    each = mass_g(mass.volume_mm3, density)
    cast = mass_g(as_cast.volume_mm3, density)
    print_ml = as_cast.volume_mm3 * allowance.master_scale**3 / 1000 * (1 + PRINT_SPARE)
    return Amounts(
        mass_g=each,
        density=density,
        density_by=by,
        melt_g=cast * wish.pieces * (1 + filling.extra) / (1 - filling.loss),
        rubber_mm3=rubber,
        rubber_ml=rubber / 1000 * (1 + RUBBER_SPARE),
        print_ml=print_ml,
        print_g=print_ml * PLA_G_CM3,
        freeze_s=freeze_s(as_cast.volume_mm3, cooled, constant),
        freeze_constant=constant,
        cooled_mm2=cooled,
        cost=_cost(wish, each, filling.loss),
    )


def _cost(wish: PieceWish, mass: float, loss: float) -> float | None:
    prices = wish.prices
    if prices.per_kg is None and prices.hour_rate is None:
        return None
    metal = mass / (1 - loss) / 1000 * (prices.per_kg or 0.0)
    return metal + prices.minutes / 60 * (prices.hour_rate or 0.0)


def _pour(means: Means, solid: Solid, arts: tuple[PlacedArt, ...], hole: HolePlan | None) -> Pour:
    metal = means.metal
    widths = [art.least_metal_mm for art in arts if art.least_metal_mm]
    finest = min(widths, default=means.limit("line_width") or 1.0)
    raised = as_region(
        shapely.union_all([region for _, region in solid.raised]).intersection(solid.outline)
        if solid.raised
        else shapely.MultiPolygon()
    )
    return plan_pour(
        solid.outline,
        solid.piece.body_mm,
        raised=raised,
        relief_mm=solid.piece.top_mm - solid.piece.body_mm,
        hole=hole.at if hole else None,
        finest_mm=finest,
        head_mm=capillary_head_mm(finest, metal.tension_n_m, metal.liquid_g_cm3 * 1000),
        open_back=means.filling.open_back,
    )


def _notes(plan: Plan, means: Means, arts: tuple[PlacedArt, ...]) -> list[Note]:
    piece, metal = plan.piece, plan.metal
    notes: list[Note] = []
    if isinstance(plan.wish.blank, Silhouette | Grown) and len(plan.outline.geoms) > 1:
        count = len(plan.outline.geoms)
        notes += [
            Note(
                "loose-pieces",
                f"the piece is {count} separate castings: bridge them, or take --blank outline:+M",
                Rule.GEOMETRY,
                is_open=True,
                at=plan.pour.cut_off[0] if plan.pour.cut_off else None,
            )
        ]
    if plan.hole is not None:
        notes += noted.hole_notes(
            plan.hole,
            piece,
            means.limit("through_opening"),
            for_cord=plan.wish.hole.kind == "cord",
        )
        notes += noted.tilt_note(plan.tilt_deg or 0.0, plan.hole)
    for design in plan.designs:
        clash = 0.0
        if plan.hole is not None and design.level.height_mm:
            clash = clash_mm(region_of(design.level.drawing), plan.hole.at, plan.hole.diameter_mm)
        notes += noted.design_notes(design, clash, plan.hole)
    gaps = [art.least_gap_mm for art in arts if art.least_gap_mm]
    notes += noted.draft_notes(piece, min(gaps, default=None))
    notes += noted.piece_notes(piece, plan.size_mm, means.process)
    length_m = math.sqrt(metal.tension_n_m / (metal.liquid_g_cm3 * 1000 * GRAVITY))
    bead = 2 * length_m * 1000 * math.sin(_BEAD_RAD / 2)
    notes += noted.pour_notes(piece, metal, plan.filling, plan.amounts, bead)
    notes += noted.layer_notes(piece, plan.wish.layer_mm, plan.allowance.master_scale)
    return notes
