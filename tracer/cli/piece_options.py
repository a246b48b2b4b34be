"""The options of `tracer plan`, and the wish that they make."""

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING

from tracer.cli import options
from tracer.errors import UsageError
from tracer.settings import Grade, Relief, Repairs, Role, Settings, Size, SizeBy
from tracer.units import parse_length

if TYPE_CHECKING:
    from tracer.piece.blank import BlankKind
    from tracer.piece.hole import HoleWish
    from tracer.piece.wish import Design, PieceWish

_ELEMENT = re.compile(r"([A-Z][a-z]?)([0-9]+(?:\.[0-9]+)?)", re.ASCII)
_NEGATIVE = re.compile(r"-\.?[0-9]")
"""What begins so is a value, such as -3,12 or -0.5mm, and no option."""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add every option of the command."""
    # argparse knows -3 as a value but takes -3,12 for an option
    parser._negative_number_matcher = _NEGATIVE  # noqa: SLF001 - argparse has no other door
    length = options.length
    parser.add_argument(
        "artwork", metavar="ARTWORK|PIECE.toml", type=Path, help="image, or a file of options"
    )
    parser.add_argument("--out", metavar="DIR", type=Path, help="folder to write to")
    parser.add_argument("--name", help="of the files and the sheet (default: that of the artwork)")
    parser.add_argument("--overwrite", action="store_true", help="replace files of another origin")
    parser.add_argument("--quiet", action="store_true", help="print nothing but errors")
    group = parser.add_argument_group("piece")
    group.add_argument(
        "--blank",
        metavar="FORM",
        help="disc:D, oval:WxH, rectangle:WxH[:R], outline:+M (the silhouette grown), or none (the"
        " silhouette is the piece)",
    )
    group.add_argument("--body", metavar="L", type=length("--body"), help="thickness of the body")
    height = group.add_mutually_exclusive_group()
    height.add_argument(
        "--raised", metavar="H", type=length("--raised"), help="height of the design"
    )
    height.add_argument("--sunk", metavar="D", type=length("--sunk"), help="depth of the design")
    height.add_argument(
        "--heights", metavar="H1,H2,...", help="one for each of --levels; negative: sunk"
    )
    group.add_argument("--art-width", metavar="L", type=length("--art-width"),
                       help="of the artwork (default: what there is room for)")  # fmt: skip
    group.add_argument("--art-at", metavar="X,Y", default="0,0", help="middle of the artwork")
    group.add_argument("--art-turn", metavar="DEG", default="0", help="counter-clockwise")
    group.add_argument("--overhang", metavar="clip|keep-in:M", default="clip",
                       help="at the rim: cut off there, or at a margin inside it")  # fmt: skip
    group.add_argument("--rim", metavar="W:H", help="a raised rim of that width and height")
    group.add_argument("--hole", metavar="WHAT", default="none",
                       help="4mm, ring:AWG18, ring:1mm, cord:2mm or none")  # fmt: skip
    group.add_argument("--hole-at", metavar="X,Y", help="middle of the hole (default: on top)")
    group.add_argument("--edge-radius", metavar="R", type=length("--edge-radius", zero=True),
                       help="rounding of the top edge")  # fmt: skip
    group.add_argument("--fillet", metavar="R", type=length("--fillet", zero=True),
                       help="inside rounding at the foot of the design")  # fmt: skip
    group.add_argument("--draft", metavar="DEG", type=options.number("--draft", 0, 30),
                       help="lean of every wall (default: that of the process)")  # fmt: skip
    _add_casting(parser)
    options.add_repairs(parser)
    options.add_ink(parser)


def _add_casting(parser: argparse.ArgumentParser) -> None:
    length, number = options.length, options.number
    group = parser.add_argument_group("casting")
    group.add_argument("--process", metavar="NAME|FILE.toml", default="pewter-silicone",
                       help="see `tracer processes` (default: %(default)s)")  # fmt: skip
    group.add_argument("--alloy", default="", metavar="NAME|Sn92Sb8", help="metal, or composition")
    group.add_argument("--density", metavar="G", type=number("--density", 0.1, 30), help="g/cm3")
    group.add_argument("--grade", choices=[*Grade], default=Grade.ADVISED,
                       help="grade of limit for the design (default: %(default)s)")  # fmt: skip
    group.add_argument("--finish", metavar="L", type=length("--finish", zero=True), default=0.0,
                       help="stock per side lost in sanding and polishing")  # fmt: skip
    group.add_argument("--contraction", metavar="PCT", type=number("--contraction", 0, 5),
                       help="of the metal, linear, in per cent")  # fmt: skip
    group.add_argument("--rubber-shrinkage", metavar="PCT", default=0.0,
                       type=number("--rubber-shrinkage", 0, 5), help="linear, %%")  # fmt: skip
    group.add_argument("--mould-temperature", metavar="C", default=20.0,
                       type=number("--mould-temperature", 0, 300),
                       help="mean, at the pour (default: 20)")  # fmt: skip
    group.add_argument("--measured", metavar="L", type=length("--measured"),
                       help="a length on a casting: calibrates the master")  # fmt: skip
    group.add_argument("--wanted", metavar="L", type=length("--wanted"), help="what it should be")
    group.add_argument("--master-was", metavar="X", type=number("--master-was", 0.9, 1.1),
                       default=1.0, help="scale of that casting's master (default: 1)")  # fmt: skip
    group.add_argument("--printer", choices=["fdm", "resin"], help="how the master is printed")
    group.add_argument("--layer", metavar="L", type=length("--layer"), default=0.1,
                       help="of the print (default: 0.1mm)")  # fmt: skip
    group.add_argument("--pieces", metavar="N", type=options.whole("--pieces", 1, 100_000),
                       default=1, help="to cast in one melt")  # fmt: skip
    group.add_argument(
        "--price-kg", metavar="P", type=number("--price-kg", 0, 1e6), help="of metal"
    )
    group.add_argument("--hour-rate", metavar="P", type=number("--hour-rate", 0, 1e6), help="price")
    group.add_argument("--minutes", metavar="N", type=number("--minutes", 0, 1e5), default=0.0,
                       help="of work on one piece")  # fmt: skip


def wish_from(
    args: argparse.Namespace, designs: list[argparse.Namespace], stem: str
) -> "PieceWish":
    """Return the wish that the options make; `designs` holds those of each artwork."""
    from tracer.names import safe_stem
    from tracer.piece.wish import PieceWish, Prices

    if args.blank is None or args.body is None:
        missing = "--blank" if args.blank is None else "--body"
        raise UsageError(
            f"{missing} is missing", hint="such as --blank disc:50mm --body 5mm", subject="plan"
        )
    if (args.measured is None) != (args.wanted is None):
        raise UsageError("--measured and --wanted go together", subject="--measured")
    blank = parse_blank(args.blank)
    composition = _composition(args.alloy)
    return PieceWish(
        name=safe_stem(args.name) if args.name else stem,
        blank=blank,
        body_mm=args.body,
        designs=tuple(d for one in designs for d in _designs(one, blank)),
        settings=_settings(args, "" if composition else args.alloy),
        rim_mm=_rim(args.rim),
        hole=parse_hole(args.hole),
        hole_at=_point(args.hole_at, "--hole-at") if args.hole_at else None,
        edge_radius_mm=args.edge_radius,
        fillet_mm=args.fillet,
        draft_deg=args.draft,
        finish_mm=args.finish,
        density=args.density,
        composition=composition,
        contraction=None if args.contraction is None else args.contraction / 100,
        rubber_shrinkage=args.rubber_shrinkage / 100,
        mould_c=args.mould_temperature,
        measured_mm=args.measured,
        wanted_mm=args.wanted,
        master_was=args.master_was,
        layer_mm=args.layer,
        pieces=args.pieces,
        prices=Prices(args.price_kg, args.hour_rate, args.minutes),
    )


def _designs(args: argparse.Namespace, blank: "BlankKind") -> list["Design"]:
    """Return the designs of one artwork: one, or one for each of its levels."""
    from tracer.piece.blank import Silhouette
    from tracer.piece.wish import Design

    def design(height: float, level: int) -> Design:
        return Design(
            args.artwork,
            height,
            level,
            args.art_width,
            _point(args.art_at, "--art-at"),
            _degrees(args.art_turn),
            _overhang(args.overhang),
        )

    given = [x for x in (args.raised, args.sunk, args.heights) if x is not None]
    if isinstance(blank, Silhouette):
        if given:
            raise UsageError(
                "--blank none takes the artwork as the piece, not as a design on it",
                hint="leave out --raised and --sunk, or take --blank outline:+2mm",
                subject="--blank",
            )
        return [design(0.0, 0)]
    if not given:
        raise UsageError(
            "neither raised nor sunk", hint="give --raised H or --sunk D", subject="--raised"
        )
    if args.heights is not None:
        words = args.heights.split(",")
        if len(words) != max(args.levels, 1):
            raise UsageError(
                f"{len(words)} heights for {max(args.levels, 1)} levels",
                hint="--levels 2 --heights 1mm,-0.5mm",
                subject="--heights",
            )
        return [design(_signed(word, "--heights"), k) for k, word in enumerate(words)]
    return [design(args.raised if args.raised is not None else -args.sunk, 0)]


def parse_blank(text: str) -> "BlankKind":
    """Read the form of a blank; UsageError if it is none."""
    from tracer.piece.blank import Disc, Grown, Oval, Rectangle, Silhouette

    def length(word: str, *, zero: bool = False) -> float:
        return parse_length(word, option="--blank", zero=zero)

    kind, _, rest = text.strip().partition(":")
    fields = rest.split(":")
    sides = fields[0].split("x")
    if kind == "none" and not rest:
        return Silhouette()
    if kind == "disc" and len(fields) == 1 and len(sides) == 1:
        return Disc(length(rest))
    if kind == "outline" and len(fields) == 1 and len(sides) == 1:
        return Grown(length(rest.removeprefix("+")))
    if kind == "oval" and len(fields) == 1 and len(sides) == 2:
        return Oval(length(sides[0]), length(sides[1]))
    if kind == "rectangle" and len(fields) <= 2 and len(sides) == 2:
        width, height = length(sides[0]), length(sides[1])
        radius = length(fields[1], zero=True) if len(fields) == 2 else 0.0
        if radius > min(width, height) / 2:
            raise UsageError(
                f"a corner of {radius:g} mm is more than half of the shorter side",
                hint=f"at most {min(width, height) / 2:g} mm",
                subject="--blank",
            )
        return Rectangle(width, height, radius)
    raise UsageError(
        f'"{text[:40]}" is no blank',
        hint="disc:50mm, oval:50mmx35mm, rectangle:50mmx30mm:4mm, outline:+3mm or none",
        subject="--blank",
    )


def parse_hole(text: str) -> "HoleWish":
    """Read what a hole is for; UsageError if it is nothing known."""
    from tracer.piece.hole import HoleWish, wire_mm

    kind, _, rest = text.strip().partition(":")
    if kind == "none" and not rest:
        return HoleWish("none")
    gauge = re.fullmatch(r"(?:awg)\s*([0-9]{1,2})", rest.strip().lower())
    if kind == "ring" and gauge and int(gauge[1]) <= 36:
        return HoleWish("ring", wire_mm(int(gauge[1])), f"ring of wire AWG {gauge[1]}")
    if kind in ("ring", "cord"):
        size = parse_length(rest, option="--hole")
        what = "wire" if kind == "ring" else "cord"
        return HoleWish(kind, size, f"{kind} of {size:g} mm" if kind == "cord"
                        else f"ring of {size:g} mm {what}")  # fmt: skip
    if rest:
        raise UsageError(
            f'"{text[:40]}" is no hole',
            hint="4mm, ring:AWG18, ring:1mm, cord:2mm or none",
            subject="--hole",
        )
    return HoleWish("diameter", parse_length(text, option="--hole"))


def _settings(args: argparse.Namespace, alloy: str) -> Settings:
    return Settings(
        size=Size(SizeBy.WIDTH, args.art_width or 1.0),  # set for each design
        process=args.process,
        role=Role.RAISED,
        grade=Grade(args.grade),
        repairs=Repairs(args.thin, args.gaps, args.islands, args.openings, args.tips),
        keep=tuple(args.keep),
        keep_findings=tuple(args.keep_finding),
        relief=Relief(printer=args.printer),
        ink=options.ink_from(args),
        alloy=alloy,
    )


def _composition(text: str) -> dict[str, float] | None:
    """Return the composition that a word such as Sn92Sb7.5Cu0.5 spells, None for a name."""
    found = _ELEMENT.findall(text)
    if not found or "".join(name + share for name, share in found) != text:
        return None
    composition = {name: float(share) for name, share in found}
    lead = composition.get("Pb", 0.0)
    if lead >= 0.05:
        raise UsageError(
            f"{lead:g} % lead: EU REACH Annex XVII entry 63 forbids 0.05 % and more in jewellery",
            hint="take a lead-free alloy",
            subject="--alloy",
            code="E_UNSAFE",
        )
    return composition


def _overhang(text: str) -> float | None:
    kind, _, rest = text.partition(":")
    if kind == "clip" and not rest:
        return None
    if kind == "keep-in":
        return parse_length(rest, option="--overhang", zero=True)
    raise UsageError(
        f'"{text[:40]}" is neither clip nor keep-in:M', hint="keep-in:2mm", subject="--overhang"
    )


def _rim(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    words = text.split(":")
    if len(words) != 2:
        raise UsageError(f'"{text[:40]}" is not W:H', hint="such as 1.5mm:0.8mm", subject="--rim")
    return parse_length(words[0], option="--rim"), parse_length(words[1], option="--rim")


def _point(text: str, option: str) -> tuple[float, float]:
    words = text.split(",")
    if len(words) != 2:
        raise UsageError(f'"{text[:40]}" is not X,Y', hint="such as 0,18.5", subject=option)
    return _signed(words[0], option), _signed(words[1], option)


def _signed(text: str, option: str) -> float:
    plain = text.strip()
    if plain.startswith("-"):
        return -parse_length(plain[1:], option=option, zero=True)
    return parse_length(plain, option=option, zero=True)


def _degrees(text: str) -> float:
    sign = -1 if text.strip().startswith("-") else 1
    return sign * options.number("--art-turn", 0, 360)(text.strip().lstrip("+-"))
