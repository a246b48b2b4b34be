"""Work the demo art under several Pythons and compare what they write, byte for byte.

`python -m tests.pythons PYTHON...`: for each interpreter a virtual environment is made in a
temporary folder, this checkout is installed into it with what its own installer chooses, and the
demo art is worked and planned. Exit status 1 tells that any of them wrote another byte.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path

ROOT = Path(__file__).parents[1]

ART = ("anchor", "heron", "lantern", "tide-stones")

COMMANDS = (
    ("outline", "anchor.png", "--width", "40mm", "--role", "raised", "--dxf"),
    ("outline", "heron.png", "--width", "60mm", "--dxf"),
    ("outline", "lantern.png", "--width", "40mm", "--role", "sunk"),
    ("plan", "heron.png", "--blank", "disc:50mm", "--body", "5mm", "--raised", "1mm",
     "--hole", "4mm", "--out", "."),
    ("batch", ".", "--width", "30mm", "--out", "set", "--jobs", "2"),
)  # fmt: skip

VERSIONS = """
import platform
from importlib.metadata import version
names = ("numpy", "scipy", "shapely", "scikit-image", "opencv-python-headless", "Pillow")
print("Python", platform.python_version(), *(f"{name} {version(name)}" for name in names))
"""


def main(interpreters: Sequence[str]) -> int:
    """Print what each interpreter runs on and which files differ from those of the first."""
    found: list[dict[str, str]] = []
    with tempfile.TemporaryDirectory() as folder:
        for number, interpreter in enumerate(interpreters):
            place = Path(folder, str(number))
            python = installed(interpreter, place / "venv")
            print(_run(python, "-c", VERSIONS).strip())
            found.append(written(python, place / "out"))
    names = differing(found)
    print(f"{len(found[0])} files, {len(names)} differ", *names)
    return 1 if names else 0


def differing(found: Sequence[Mapping[str, str]]) -> list[str]:
    """Return the names whose digests are not the same, or are not there, in every folder."""
    names = sorted({name for one in found for name in one})
    return [name for name in names if len({one.get(name) for one in found}) > 1]


def installed(interpreter: str, place: Path) -> Path:
    """Install the checkout into a new virtual environment and return its interpreter."""
    subprocess.run([interpreter, "-m", "venv", place], check=True)
    python = place / "bin" / "python"
    _run(python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", str(ROOT))
    return python


def written(python: Path, place: Path) -> dict[str, str]:
    """Work the demo art and return the digest of every file that came of it."""
    place.mkdir()
    for name in ART:
        shutil.copy(ROOT / "tracer" / "data" / "demo" / f"{name}.png", place)
    for words in COMMANDS:
        _run(python, "-m", "tracer", *words, cwd=place, right=(0, 3))
    return {
        str(path.relative_to(place)): sha256(path.read_bytes()).hexdigest()
        for path in sorted(place.rglob("*"))
        if path.is_file()
    }


def _run(python: Path, *words: str, cwd: Path | None = None, right: Sequence[int] = (0,)) -> str:
    done = subprocess.run(
        [python, *words],
        cwd=cwd,
        env={key: value for key, value in os.environ.items() if key != "PYTHONPATH"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in right:
        sys.exit(f"{python} {' '.join(words)}: status {done.returncode}\n{done.stderr}")
    return done.stdout


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
