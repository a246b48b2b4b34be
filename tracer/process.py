"""Casting processes, alloys and moulds: read from TOML, each value with its evidence."""

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from tracer.errors import UsageError
from tracer.settings import Grade, Overrules, Role

EVIDENCE = {
    "S": "seen in a public text",
    "S2": "seen second-hand",
    "M": "from memory of a named source",
    "D": "derived",
    "P": "common practice, no source: a shop rule, not a standard",
    "J": "a judgement: a shop rule, not a standard",
    "you": "your own figure",
}
CONFIDENCE = ("H", "M", "L-M", "L", "-")
LIMIT_NAMES = (
    "body_width", "line_width", "gap_width", "through_opening", "recess_opening", "island",
    "fin_ratio", "pillar_ratio", "draft_deg", "relief_height", "plate_thickness", "foot_fillet",
)  # fmt: skip
LARGEST_FILE = 1_000_000

T = TypeVar("T")

_carried: dict[str, str] = {}


@dataclass(frozen=True, slots=True)
class Limit:
    """A least width, size or ratio in three grades, with where it comes from."""

    name: str
    least: float
    advised: float
    comfortable: float
    evidence: str
    confidence: str
    basis: str

    def at(self, grade: Grade) -> float:
        """Return the value of a grade."""
        return {
            Grade.LEAST: self.least,
            Grade.ADVISED: self.advised,
            Grade.COMFORTABLE: self.comfortable,
        }[grade]

    def raised_by(self, extra_mm: float) -> "Limit":
        """Return the limit with `extra_mm` on every grade (stock lost in finishing)."""
        return replace(
            self,
            least=self.least + extra_mm,
            advised=self.advised + extra_mm,
            comfortable=self.comfortable + extra_mm,
        )


@dataclass(frozen=True, slots=True)
class Process:
    """A way of casting and what it can hold."""

    name: str
    label: str
    mould: str
    alloy: str
    limits: dict[str, Limit]


@dataclass(frozen=True, slots=True)
class Limits:
    """The widths and sizes that apply to one artwork in its role; all 0 means no limits.

    `metal` and `gap` are widths; `island` and `opening` diameters of inscribed circles.
    """

    metal: Limit
    gap: Limit
    island: Limit
    opening: Limit

    @property
    def none(self) -> bool:
        """Whether nothing is limited: a faithful tracing."""
        return all(x.comfortable == 0 for x in (self.metal, self.gap, self.island, self.opening))

    def largest(self, grade: Grade) -> float:
        """Return the largest limit of a grade, in mm."""
        return max(x.at(grade) for x in (self.metal, self.gap, self.island, self.opening))


@dataclass(frozen=True, slots=True)
class Alloy:
    """A casting metal."""

    name: str
    label: str
    pour_c: float
    density: float
    lead_percent: float
    evidence: str
    basis: str


@dataclass(frozen=True, slots=True)
class Mould:
    """A mould material."""

    name: str
    label: str
    limit_c: float
    evidence: str
    basis: str


def process_names() -> tuple[str, ...]:
    """Return the names of the processes that the package ships, in their order."""
    return tuple(_shipped("processes.toml"))


def load_process(name: str) -> Process:
    """Return a process by its name, or from a TOML file of the same form with one table.

    Raises
    ------
    UsageError
        Unknown name, unreadable file, or a value without evidence or out of order.
    """
    shipped = _shipped("processes.toml")
    if name in shipped:
        return _process(name, shipped[name], name)
    if name in _carried:
        return _from_table(_parsed(_carried[name].encode(), name), name)
    if not name.endswith(".toml"):
        raise UsageError(
            f'"{name}" is not a known process',
            hint=f"one of {', '.join(shipped)}, or a .toml file",
            subject="--process",
        )
    return _from_table(_read_toml(name), name)


def process_file_text(name: str) -> str:
    """Return the text of a process file, empty for a process that the package ships."""
    if name in _shipped("processes.toml") or not name.endswith(".toml"):
        return ""
    load_process(name)  # whatever is wrong with it is said here
    return Path(name).read_text(encoding="utf-8-sig")


def carry_process(name: str, text: str) -> None:
    """Have `load_process` know a process file by its text, in a worker where the file is not."""
    _carried[name] = text


def _from_table(table: dict[str, Any], source: str) -> Process:
    if len(table) != 1:
        raise UsageError(
            f"{len(table)} tables where one process is wanted",
            hint="one table named after the process, as `tracer processes NAME` prints it",
            subject=source,
            code="E_SETTINGS_FILE",
        )
    [(inner, data)] = table.items()
    return _process(inner, data, source)


def limits_for(process: Process, role: Role, overrules: Overrules) -> Limits:
    """Return the limits that apply to a role, the user's own in place of the process's."""
    silhouette = role is Role.SILHOUETTE
    pick = {
        "metal": ("body_width" if silhouette else "line_width", overrules.metal_mm),
        "gap": ("gap_width", overrules.gap_mm),
        "island": ("island", overrules.island_mm),
        "opening": ("through_opening" if silhouette else "recess_opening", overrules.opening_mm),
    }
    return Limits(**{side: _picked(process, name, own) for side, (name, own) in pick.items()})


def load_alloy(name: str) -> Alloy:
    """Return an alloy by name; UsageError if unknown."""
    return _material("alloy", name, Alloy)


def load_mould(name: str) -> Mould:
    """Return a mould by name; UsageError if unknown."""
    return _material("mould", name, Mould)


def alloy_names() -> tuple[str, ...]:
    """Return the names of the alloys that the package knows."""
    return tuple(_shipped("materials.toml")["alloy"])


def check_metal_and_mould(process: Process, alloy_name: str = "") -> None:
    """Refuse a metal that is too hot for the mould, or too much lead for jewellery.

    Raises
    ------
    UsageError
        Code E_UNSAFE, with the two temperatures or the share of lead.
    """
    alloy_name = alloy_name or process.alloy
    if not alloy_name:
        return
    alloy = load_alloy(alloy_name)
    lead_limit = 0.05
    if alloy.lead_percent > lead_limit:
        raise UsageError(
            f"{alloy.label} holds {alloy.lead_percent:g} % lead: EU REACH Annex XVII entry 63"
            f" forbids {lead_limit:g} % and more in jewellery, US law 0.01 % for children",
            hint="take a lead-free alloy, such as --alloy pewter",
            subject=alloy.name,
            code="E_UNSAFE",
        )
    if not process.mould:
        return
    mould = load_mould(process.mould)
    if alloy.pour_c > mould.limit_c:
        raise UsageError(
            f"{alloy.label} is poured at {alloy.pour_c:g} °C or more,"
            f" {mould.label} holds {mould.limit_c:g} °C",
            hint="take an alloy that pours cooler or another mould; see `tracer processes`",
            subject=process.name,
            code="E_UNSAFE",
        )


def _picked(process: Process, name: str, own_mm: float | None) -> Limit:
    if own_mm is not None:
        return Limit(name, own_mm, own_mm, own_mm, "you", "-", "given on the command line")
    return process.limits.get(name) or Limit(name, 0, 0, 0, "-", "-", "no limit")


@cache
def _shipped(name: str) -> dict[str, Any]:
    text = resources.files("tracer").joinpath("data", name).read_text(encoding="utf-8")
    return tomllib.loads(text)


def _read_toml(path: str) -> dict[str, Any]:
    def wrong(message: str, hint: str = "") -> UsageError:
        return UsageError(message, hint=hint, subject=path, code="E_SETTINGS_FILE")

    try:
        with Path(path).open("rb") as file:
            raw = file.read(LARGEST_FILE + 1)
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        raise wrong(reason, "a TOML file is wanted") from None
    if len(raw) > LARGEST_FILE:
        raise wrong("larger than 1 MB", "a settings file is a few lines")
    return _parsed(raw, path)


def _parsed(raw: bytes, path: str) -> dict[str, Any]:
    def wrong(message: str, hint: str = "") -> UsageError:
        return UsageError(message, hint=hint, subject=path, code="E_SETTINGS_FILE")

    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise wrong("not text in UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise wrong(f"not valid TOML: {error}") from None
    except (RecursionError, ValueError) as error:
        raise wrong(f"not usable TOML: {type(error).__name__}") from None


def _process(name: str, data: Any, source: str) -> Process:
    def wrong(message: str, hint: str = "") -> UsageError:
        return UsageError(message, hint=hint, subject=source, code="E_SETTINGS_FILE")

    if not isinstance(data, dict):
        raise wrong(f'"{name}" is not a table')
    unknown = set(data) - {"label", "mould", "alloy", "limits"}
    if unknown:
        raise wrong(f'unknown key "{min(unknown)}"', "label, mould, alloy, limits")
    limits = _limits(data.get("limits", {}), wrong)
    not_text = [w for w in ("label", "mould", "alloy") if not isinstance(data.get(w, ""), str)]
    if not_text:
        raise wrong(f'"{not_text[0]}" is not a text')
    process = Process(
        name, data.get("label", name), data.get("mould", ""), data.get("alloy", ""), limits
    )
    if process.alloy:
        load_alloy(process.alloy)
    if process.mould:
        load_mould(process.mould)
    return process


def _limits(table: Any, wrong: Any) -> dict[str, Limit]:
    if not isinstance(table, dict):
        raise wrong('"limits" is not a table')
    unknown = set(table) - set(LIMIT_NAMES)
    if unknown:
        raise wrong(f'unknown limit "{min(unknown)}"', f"one of {', '.join(LIMIT_NAMES)}")
    return {key: _limit(key, value, wrong) for key, value in table.items()}


def _limit(name: str, value: Any, wrong: Any) -> Limit:
    if not isinstance(value, dict) or set(value) - {"grades", "evidence", "confidence", "basis"}:
        raise wrong(f'"{name}" is not of the form {{ grades = [...], evidence = "...", ... }}')
    grades = value.get("grades")
    if (
        not isinstance(grades, list)
        or len(grades) != len(Grade)
        or not all(type(x) in (int, float) and 0 <= x <= 1000 for x in grades)
    ):
        raise wrong(
            f'"{name}" wants three numbers: least, advised, comfortable', "grades = [a, b, c]"
        )
    in_order = sorted(grades, reverse=name.endswith("_ratio"))
    if grades != in_order:
        raise wrong(f'"{name}": the grades {grades} are not in order')
    if value.get("evidence") not in EVIDENCE:
        raise wrong(f'"{name}" has no evidence', f"one of {', '.join(EVIDENCE)}")
    if value.get("confidence") not in CONFIDENCE:
        raise wrong(f'"{name}" has no confidence', f"one of {', '.join(CONFIDENCE)}")
    least, advised, comfortable = map(float, grades)
    return Limit(
        name,
        least,
        advised,
        comfortable,
        value["evidence"],
        value["confidence"],
        str(value.get("basis", "")),
    )


def _material(kind: str, name: str, make: Callable[..., T]) -> T:
    table = _shipped("materials.toml")[kind]
    if name not in table:
        raise UsageError(
            f'"{name}" is not a known {kind}',
            hint=f"one of {', '.join(table)}",
            subject=f"--{kind}",
        )
    return make(name=name, **table[name])


def process_text(process: Process) -> str:
    """Return a process as a table for people, each limit with its evidence."""
    lines = [process.label]
    if process.mould:
        mould = load_mould(process.mould)
        lines.append(f"mould: {mould.label}, holds {mould.limit_c:g} °C ({mould.basis})")
    if process.alloy:
        alloy = load_alloy(process.alloy)
        lines.append(f"metal: {alloy.label}, poured at {alloy.pour_c:g} °C or more")
    if not process.limits:
        lines.append("no limits")
        return "\n".join(lines) + "\n"
    lines.append("")
    lines.append(f"{'limit':16} {'least':>6} {'advised':>8} {'comfortable':>12}  evidence")
    lines.extend(
        f"{limit.name:16} {limit.least:6g} {limit.advised:8g} {limit.comfortable:12g}"
        f"  {limit.evidence}, confidence {limit.confidence}: {limit.basis}"
        for limit in process.limits.values()
    )
    used = sorted({limit.evidence for limit in process.limits.values()})
    lines.append("")
    lines.extend(f"{code}: {EVIDENCE[code]}" for code in used)
    return "\n".join(lines) + "\n"


def process_toml(process: Process) -> str:
    """Return a process as TOML that `load_process` reads back."""
    lines = [
        f"[{process.name}]",
        f"label = {_toml_string(process.label)}",
        f"mould = {_toml_string(process.mould)}",
        f"alloy = {_toml_string(process.alloy)}",
        "",
        f"[{process.name}.limits]",
    ]
    lines.extend(
        f"{limit.name} = {{ grades = [{limit.least}, {limit.advised}, {limit.comfortable}],"
        f" evidence = {_toml_string(limit.evidence)},"
        f" confidence = {_toml_string(limit.confidence)}, basis = {_toml_string(limit.basis)} }}"
        for limit in process.limits.values()
    )
    return "\n".join(lines) + "\n"


def _toml_string(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
