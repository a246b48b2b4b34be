"""What no linter holds: lengths, notices, versions, words that must not stand here."""

import re
import subprocess
import tomllib
from pathlib import Path

from tracer import __version__
from tracer.cli.main import COMMANDS
from tracer.errors import InputError, OutputError, Status, TracerError, UsageError

ROOT = Path(__file__).parents[1]
LONGEST_FILE = 450


def tracked(*patterns: str) -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", *patterns], cwd=ROOT, capture_output=True, text=True, check=False
    )
    files = [ROOT / line for line in listed.stdout.splitlines()]
    return [path for path in files if path.is_file()]


def test_no_file_is_too_long_for_a_reader() -> None:
    long = {
        p.name: n
        for p in tracked("*.py")
        if (n := len(p.read_text("utf-8").splitlines())) > LONGEST_FILE
    }
    assert not long


def test_no_path_of_one_machine() -> None:
    places = re.compile("/" + r"(home|root|Users|work)/\w")
    for path in tracked("*.py", "*.md", "*.toml", "*.html", ".ci/run"):
        assert not places.search(path.read_text("utf-8")), path


def test_version_is_that_of_the_newest_change() -> None:
    newest = re.search(r"^## (\S+),", (ROOT / "CHANGELOG.md").read_text("utf-8"), re.MULTILINE)
    assert newest is not None
    assert newest[1] == __version__


def test_the_error_tree_is_complete() -> None:
    assert {kind.__name__ for kind in TracerError.__subclasses__()} == {
        "InputError", "UsageError", "OutputError",
    }  # fmt: skip
    assert InputError("x").status is Status.ARTWORK_FAILED
    assert UsageError("x").status is Status.WRONG_USE
    assert OutputError("x").status is Status.NOT_WRITTEN


def test_every_exemption_carries_its_reason() -> None:
    bare = re.compile(r"# noqa: [A-Z0-9, ]+$|# type: ignore\[[\w, -]+\]$")
    unsaid = {
        f"{path.name}: {line.strip()}"
        for path in tracked("tracer/**.py", "tests/**.py", "fixtures/*.py")
        for line in path.read_text("utf-8").splitlines()
        if bare.search(line)
    }
    assert not unsaid


def test_readme_names_every_command_and_its_set_up_commands_are_two() -> None:
    readme = (ROOT / "README.md").read_text("utf-8")
    for name in COMMANDS:
        assert f"tracer {name}" in readme
    assert len(re.findall(r"^python3 -m venv", readme, re.MULTILINE)) == 2


def test_ci_runs_what_a_person_can_run() -> None:
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    for gate in ("pytest", "ruff check", "ruff format --check", "mypy", "lint-imports"):
        assert gate in script


def test_every_dependency_is_noticed() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    notices = (ROOT / "THIRD-PARTY.md").read_text("utf-8").lower()
    for requirement in project["dependencies"]:
        assert re.split(r"[><=\[]", requirement)[0].lower() in notices
