"""One artwork from its bytes to the texts of everything that is written for it.

Touches no file, so that a command, a worker process and a machine far away run the same job.
"""

from collections.abc import Callable
from dataclasses import dataclass

from tracer.errors import Status
from tracer.model import Artwork, Result
from tracer.settings import Settings


@dataclass(frozen=True, slots=True, eq=False)
class Outputs:
    """What comes of one artwork.

    `texts` maps a suffix to the content of that file: ``.svg``, ``.json``, ``.html``, ``.dxf``;
    with several designs or levels ``-1.svg``, ``-2.svg`` and so on.
    """

    texts: dict[str, str]
    reports: tuple[dict[str, object], ...]
    artwork: Artwork
    status: Status


def work(
    data: bytes,
    name: str,
    settings: Settings,
    *,
    progress: Callable[[str], None] = lambda _: None,
) -> Outputs:
    """Work one artwork and write down all that comes of it.

    Raises
    ------
    TracerError
        If the artwork cannot be read or worked, or the settings are wrong.
    """
    from tracer.pipeline import trace_all
    from tracer.write.page import make_page
    from tracer.write.report import make_report, report_text

    results = trace_all(data, name, settings, progress=progress)
    texts: dict[str, str] = {}
    reports = []
    for index, result in enumerate(results, start=1):
        progress("writing")
        mark = f"-{index}" if len(results) > 1 else ""
        suffixes = [".svg", ".json", ".html", *([".dxf"] if settings.dxf else [])]
        files = {suffix[1:]: mark + suffix for suffix in suffixes}
        report = make_report(result, files=files)
        texts[mark + ".svg"] = result.svg
        texts[mark + ".json"] = report_text(report)
        texts[mark + ".html"] = make_page(result, report)
        if settings.dxf:
            texts[mark + ".dxf"] = _dxf(result)
        reports.append(report)
    return Outputs(texts, tuple(reports), results[0].artwork, status_of(results))


def status_of(results: tuple[Result, ...]) -> Status:
    """Return the exit status that finished results deserve."""
    is_open = any(
        finding.status == "open" for result in results for finding in result.mended.findings
    ) or any(result.verified.below for result in results)
    return Status.PLACES_OPEN if is_open else Status.DONE


def _dxf(result: Result) -> str:
    from tracer.pipeline import MARK
    from tracer.write.dxf import write_dxf

    left, bottom, _, _ = result.fitted.drawing.bounds
    on_sheet = result.fitted.drawing.mapped(1, -complex(left, bottom))
    return write_dxf({str(result.settings.role): on_sheet}, comment=MARK)
