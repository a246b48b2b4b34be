"""Options that several commands share, and the settings that they make."""

import argparse
import difflib
from collections.abc import Callable
from typing import Any, NoReturn

from tracer.errors import UsageError
from tracer.settings import (
    AS_IS,
    Grade,
    InkOptions,
    Keep,
    Overrules,
    Relief,
    Repairs,
    Role,
    Settings,
    Size,
    SizeBy,
)
from tracer.units import SMALLEST_LENGTH_MM, SMALLEST_PIECE_MM, parse_length

SIZE_HINT = (
    "give exactly one of --width, --height (of the finished outline) or --pitch (of a pixel)"
)


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaints are our errors: one line, status 2."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        kwargs.setdefault("allow_abbrev", False)
        super().__init__(*args, **kwargs)

    def error(self, message: str) -> NoReturn:
        """Raise instead of printing usage and leaving."""
        raise UsageError(message, hint=f"see `{self.prog} --help`", code="E_SETTING")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Refuse an unknown option with the nearest that there is."""
        found, unknown = super().parse_known_args(args, namespace)
        for word in unknown:
            option = word.partition("=")[0]
            near = difflib.get_close_matches(option.lower(), self._option_string_actions, 1)
            if option.startswith("--") and near:
                raise UsageError(f"unrecognized option {option[:40]}", hint=f"is {near[0]} meant?")
        return found, unknown


def length(
    option: str, *, zero: bool = False, least: float = SMALLEST_LENGTH_MM
) -> Callable[[str], float]:
    """Return a reader of lengths for `option`; its errors name the option."""

    def read(text: str) -> float:
        return parse_length(text, option=option, zero=zero, least=least)

    return read


def number(option: str, low: float, high: float) -> Callable[[str], float]:
    """Return a reader of plain numbers within [low, high]."""

    def read(text: str) -> float:
        plain = text.strip()
        ok = plain.isascii() and plain.replace(".", "", 1).lstrip("+-").isdigit()
        if not ok or not low <= float(plain) <= high:
            raise UsageError(
                f'"{text[:40]}" is not a number from {low:g} to {high:g}', subject=option
            )
        return float(plain)

    return read


def whole(option: str, low: int, high: int) -> Callable[[str], int]:
    """Return a reader of whole numbers within [low, high]; K and M multiply."""

    def read(text: str) -> int:
        plain = text.strip()
        factor = {"K": 1_000, "M": 1_000_000}.get(plain[-1:].upper(), 1)
        digits = plain[:-1] if factor > 1 else plain
        if not (digits.isascii() and digits.isdigit() and low <= int(digits) * factor <= high):
            raise UsageError(
                f'"{text[:40]}" is not a whole number from {low} to {high}', subject=option
            )
        return int(digits) * factor

    return read


def add_size(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how large the piece is."""
    group = parser.add_argument_group("size, exactly one (50mm, 5cm, 2in; bare numbers are mm)")
    for word, least, what in (
        ("width", SMALLEST_PIECE_MM, "width of the finished outline"),
        ("height", SMALLEST_PIECE_MM, "height of the finished outline"),
        ("pitch", SMALLEST_LENGTH_MM, "size of one pixel"),
    ):
        read = length(f"--{word}", least=least)
        group.add_argument(f"--{word}", metavar="L", type=read, help=what)


def add_casting(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how the piece is cast and what is done about findings."""
    group = parser.add_argument_group("casting")
    group.add_argument(
        "--process",
        metavar="NAME|FILE.toml",
        default="pewter-silicone",
        help="casting process, see `tracer processes` (default: %(default)s)",
    )
    group.add_argument(
        "--alloy", default="", metavar="NAME", help="metal, when not that of the process"
    )
    group.add_argument(
        "--role",
        choices=[*Role],
        default=Role.SILHOUETTE,
        help="how the ink is used: the whole piece, standing up, or cut in (default: %(default)s)",
    )
    group.add_argument(
        "--grade",
        choices=[*Grade],
        default=Grade.ADVISED,
        help="grade of limit to bring the outline to (default: %(default)s)",
    )
    for word, what in (
        ("metal", "least width of metal"),
        ("gap", "least width of a gap between metal"),
        ("island", "least diameter of a separate dot of metal"),
        ("opening", "least diameter of an opening"),
    ):
        group.add_argument(
            f"--min-{word}", metavar="L", type=length(f"--min-{word}"), help=f"{what}, your own"
        )
    group.add_argument(
        "--height-of-relief",
        metavar="L",
        type=length("--height-of-relief"),
        help="how high the relief stands, or how deep it is sunk: checks fins, pillars and draft",
    )
    group.add_argument(
        "--draft", metavar="DEG", type=number("--draft", 0, 45), help="draft of the walls, per side"
    )
    group.add_argument(
        "--finish",
        metavar="L",
        type=length("--finish", zero=True),
        default=0.0,
        help="stock lost per side in sanding and polishing, added to the limits",
    )
    group.add_argument(
        "--printer",
        choices=["fdm", "resin"],
        help="how the master is printed: its least feature counts",
    )


def add_repairs(parser: argparse.ArgumentParser) -> None:
    """Add the options that choose between repairs."""
    group = parser.add_argument_group("repairs (the default first)")
    plain = Repairs()
    group.add_argument(
        "--thin", choices=["thicken", "remove"], default=plain.thin, help="hairlines and spurs"
    )
    group.add_argument(
        "--gaps",
        choices=["auto", "widen", "fill"],
        default=plain.gaps,
        help="narrow gaps; auto widens where the metal can give, else fills",
    )
    group.add_argument(
        "--islands",
        choices=["remove", "enlarge", "bridge"],
        default=plain.islands,
        help="small separate dots of metal, and (bridge) loose pieces",
    )
    group.add_argument(
        "--openings", choices=["fill", "enlarge"], default=plain.openings, help="small openings"
    )
    group.add_argument("--tips", choices=["blunt", "leave"], default=plain.tips, help="sharp tips")
    group.add_argument(
        "--keep",
        metavar="X,Y,R",
        action="append",
        default=[],
        type=_keep,
        help="leave the place within R mm of X,Y mm on the page as drawn (may be repeated)",
    )
    group.add_argument(
        "--keep-finding",
        metavar="N",
        action="append",
        default=[],
        type=whole("--keep-finding", 1, 100_000),
        help="leave a finding of the report as drawn, by its number (may be repeated)",
    )


def add_ink(parser: argparse.ArgumentParser) -> None:
    """Add the options that say what of the artwork is ink."""
    group = parser.add_argument_group("artwork")
    plain = InkOptions()
    group.add_argument(
        "--ink",
        default=plain.ink,
        metavar="WHAT",
        help="what is ink: auto, alpha, dark, light, or colours such as navy or #c00,#222",
    )
    group.add_argument(
        "--threshold",
        metavar="T",
        type=number("--threshold", 0.02, 0.98),
        help="coverage taken as the edge, 0.02 to 0.98 (default: decided)",
    )
    group.add_argument(
        "--levels",
        metavar="N",
        type=whole("--levels", 2, 6),
        default=0,
        help="each colour a level of its own, N of them (2 to 6)",
    )
    group.add_argument(
        "--split", action="store_true", help="several designs on one sheet: an outline for each"
    )
    group.add_argument(
        "--straighten", action="store_true", help="turn a slightly turned scan upright"
    )
    group.add_argument(
        "--as-is",
        metavar="WHAT",
        action="append",
        choices=AS_IS,
        default=[],
        help=f"do not put right: {', '.join(AS_IS)} (may be repeated)",
    )
    group.add_argument(
        "--page",
        metavar="N",
        type=whole("--page", 1, 100_000),
        default=1,
        help="page or frame to use",
    )
    group.add_argument(
        "--max-pixels",
        metavar="N",
        type=whole("--max-pixels", 1, 2_000_000_000),
        default=plain.max_pixels,
        help="refuse larger artwork (default: 89M)",
    )
    group.add_argument(
        "--max-pieces",
        metavar="N",
        type=whole("--max-pieces", 1, 1_000_000),
        default=plain.max_pieces,
        help="refuse artwork in more pieces (default: %(default)s)",
    )


def add_fit(parser: argparse.ArgumentParser) -> None:
    """Add the options of the fit and of what is written."""
    group = parser.add_argument_group("outline")
    group.add_argument(
        "--tolerance",
        metavar="L",
        type=length("--tolerance"),
        help="of the fit (default: from the artwork's own edge noise)",
    )
    group.add_argument(
        "--regular",
        choices=["on", "off"],
        default="on",
        help="make what is nearly level, parallel or concentric exact (default: %(default)s)",
    )
    group.add_argument(
        "--unit",
        choices=["px", "pt", "mm"],
        default="px",
        help="user unit of the SVG: 1/96 inch, 1/72 inch or 1 mm (default: %(default)s)",
    )
    group.add_argument("--dxf", action="store_true", help="write the drawing as DXF, too")


def size_from(args: argparse.Namespace) -> Size | None:
    """Return the size given, None if none; UsageError if several."""
    given = [Size(by, getattr(args, by)) for by in SizeBy if getattr(args, by) is not None]
    if len(given) > 1:
        raise UsageError(
            f"{' and '.join('--' + s.by for s in given)} contradict each other", hint=SIZE_HINT
        )
    return given[0] if given else None


def settings_from(args: argparse.Namespace, size: Size) -> Settings:
    """Return the settings that the options of a command make."""
    return Settings(
        size=size,
        process=args.process,
        role=Role(args.role),
        grade=Grade(args.grade),
        overrules=Overrules(args.min_metal, args.min_gap, args.min_island, args.min_opening),
        repairs=Repairs(args.thin, args.gaps, args.islands, args.openings, args.tips),
        keep=tuple(args.keep),
        keep_findings=tuple(args.keep_finding),
        relief=Relief(args.height_of_relief, args.draft, args.finish, args.printer),
        ink=ink_from(args),
        alloy=args.alloy,
        tolerance_mm=getattr(args, "tolerance", None),
        regular=getattr(args, "regular", "on") == "on",
        unit=getattr(args, "unit", "px"),
        dxf=getattr(args, "dxf", False),
    )


def ink_from(args: argparse.Namespace) -> InkOptions:
    """Return the ink options that the options of a command make."""
    return InkOptions(
        ink=args.ink,
        threshold=args.threshold,
        levels=args.levels,
        straighten=args.straighten,
        split=args.split,
        page=args.page,
        max_pixels=args.max_pixels,
        max_pieces=args.max_pieces,
        as_is=tuple(sorted(set(args.as_is))),
    )


def _keep(text: str) -> Keep:
    parts = text.split(",")
    if len(parts) != 3:
        raise UsageError(f'"{text[:40]}" is not X,Y,R', hint="such as 12.5,8,1", subject="--keep")
    x, y, radius = (parse_length(part, option="--keep", zero=True) for part in parts)
    if radius == 0:
        raise UsageError("the radius is 0", hint="such as 12.5,8,1", subject="--keep")
    return Keep(x, y, radius)
