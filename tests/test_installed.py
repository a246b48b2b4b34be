"""What an installation brings along: whose licence, and how large it is."""

import re
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import tracer

COPYLEFT = re.compile(r"(?<!L)(?<!Lesser )\bA?GPL|GNU (Affero )?General Public")
OURS_MB, ALL_MB = 2.0, 600.0
"""1.3 and 517 when this was written; most of it are NumPy, SciPy and OpenCV."""


def installed_with(name: str) -> set[str]:
    """Return a distribution and all that it needs at run time on this machine, by their names."""
    found: set[tuple[str, str]] = set()
    waiting = [(name, "")]
    while waiting:
        one, extra = waiting.pop()
        if (canonicalize_name(one), extra) in found:
            continue
        found.add((canonicalize_name(one), extra))
        for text in metadata.requires(one) or []:
            need = Requirement(text)
            if need.marker is None or need.marker.evaluate({"extra": extra}):
                waiting += [(need.name, wanted) for wanted in ("", *need.extras)]
    return {one for one, _ in found}


RUN_TIME = sorted(installed_with("tracer") - {"tracer"})


def size_mb(files: list[Path]) -> float:
    return sum(path.stat().st_size for path in files if path.is_file()) / 1e6


def licence_of(about: metadata.PackageMetadata) -> str:
    """Return what a distribution says of its licence, without the text of it."""
    said = [*(about.get_all("License-Expression") or []), *(about.get_all("Classifier") or [])]
    said += [(line or " ").splitlines()[0] for line in about.get_all("License") or []]
    return " ".join(line for line in said if "icense" in line or " :: " not in line)


def test_what_is_installed_is_found() -> None:
    """The ruler: what the dependencies need is among them, what the tests need is not."""
    assert {"numpy", "opencv-python-headless", "shapely", "svgwrite", "pyparsing"} <= set(RUN_TIME)
    assert {"pytest", "matplotlib", "distributed"}.isdisjoint(RUN_TIME)


@pytest.mark.parametrize("name", RUN_TIME)
def test_licences_of_what_is_installed_at_run_time(name: str) -> None:
    """No GPL or AGPL; LGPL parts travel as shared libraries and stand in THIRD-PARTY.md."""
    licence = licence_of(metadata.metadata(name))
    assert licence.strip()
    assert not COPYLEFT.search(licence)


@pytest.mark.parametrize(
    ("text", "stands"),
    [("GPL-3.0-only", True), ("AGPLv3", True), ("GNU General Public License v3 (GPLv3)", True),
     ("LGPL-2.1-or-later", False), ("GNU Lesser General Public License v2 (LGPLv2)", False),
     ("MIT", False)],
)  # fmt: skip
def test_copyleft_is_noticed(text: str, stands: bool) -> None:
    assert bool(COPYLEFT.search(text)) == stands


def test_the_installation_stays_small() -> None:
    folder = Path(tracer.__file__).parent
    ours = [path for path in folder.rglob("*") if "__pycache__" not in path.parts]
    assert 0.5 < size_mb(ours) < OURS_MB
    theirs = [Path(str(f.locate())) for name in RUN_TIME for f in metadata.files(name) or []]
    assert size_mb(theirs) < ALL_MB
