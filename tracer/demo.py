"""The shipped artworks, each with the settings that show what it is there for."""

from importlib import resources
from pathlib import Path

from tracer.errors import InputError
from tracer.settings import Role, Settings, Size, SizeBy

DEMO: tuple[tuple[str, float, Role, str], ...] = (
    ("heron", 50.0, Role.RAISED, "drawn to be cast: sound as it is"),
    ("reeds", 36.0, Role.RAISED, "stalks and leaf tips as thin as a pen drew them"),
    ("ferry-pass", 38.0, Role.RAISED, "lettering with small counters"),
    ("tide-stones", 40.0, Role.RAISED, "dots and specks, gaps too narrow for rubber"),
    ("lantern", 34.0, Role.SUNK, "cut into the plate: metal and mould change places"),
    ("anchor", 45.0, Role.SILHOUETTE, "cut out whole; one part hangs on nothing"),
    ("rigging", 20.0, Role.RAISED, "hopeless at this size; the report says which would do"),
)
"""Name of the artwork, finished width in mm, how the ink is used, what it shows."""


def demo_artwork(name: str) -> bytes:
    """Return a shipped artwork, a PNG."""
    return resources.files("tracer").joinpath("data", "demo", f"{name}.png").read_bytes()


def demo_settings(width_mm: float, role: Role) -> Settings:
    """Return the settings of a shipped artwork."""
    return Settings(Size(SizeBy.WIDTH, width_mm), role=role)


def run_demo(out: Path) -> list[str]:
    """Work every shipped artwork into a folder; return five lines that say what to open.

    An artwork of which nothing is left at its size gets no outline, and the lines say so.

    Raises
    ------
    OutputError
        If the folder cannot be written, or a file of another origin is in the way.
    """
    from tracer.files import write_files
    from tracer.job import work
    from tracer.write.report import failed_report, report_text

    verdicts: dict[str, list[str]] = {}
    for name, width_mm, role, _ in DEMO:
        data = demo_artwork(name)
        try:
            outputs = work(data, f"{name}.png", demo_settings(width_mm, role))
            texts = outputs.texts
            verdict = str(outputs.reports[0]["verdict"])
        except InputError as error:
            texts = {".json": report_text(failed_report(f"{name}.png", error))}
            verdict = "nothing left to cast"
        verdicts.setdefault(verdict, []).append(name)
        files: dict[Path, str | bytes] = {out / f"{name}{end}": text for end, text in texts.items()}
        write_files(files, inputs=(), overwrite=False)
    told = "; ".join(f"{verdict}: {', '.join(names)}" for verdict, names in verdicts.items())
    return [
        f"{len(DEMO)} artworks worked into {out}",
        told,
        f"open {out / 'heron.html'} to see what the page for a client looks like,",
        f"{out / 'reeds.html'} for what is thickened, {out / 'lantern.html'} for a sunk design,",
        f"{out / 'heron.svg'} in a drawing or CAD program: it is {DEMO[0][1]:g} mm wide there too",
    ]
