"""Process data: complete, in order, each value with its evidence; metal and mould together."""

from pathlib import Path

import pytest

from tracer.errors import UsageError
from tracer.process import (
    EVIDENCE,
    LIMIT_NAMES,
    alloy_names,
    check_metal_and_mould,
    limits_for,
    load_alloy,
    load_mould,
    load_process,
    process_names,
    process_text,
    process_toml,
)
from tracer.settings import Grade, Overrules, Role


def test_the_processes_of_the_contract_are_there() -> None:
    wanted = {"pewter-silicone", "pewter-spin", "pewter-sand", "silver-lostwax", "as-drawn"}
    assert wanted <= set(process_names())


@pytest.mark.parametrize("name", process_names())
def test_every_value_has_evidence(name: str) -> None:
    process = load_process(name)
    if name != "as-drawn":
        assert set(process.limits) == set(LIMIT_NAMES)
    for limit in process.limits.values():
        assert limit.evidence in EVIDENCE
        assert limit.basis
        assert limit.basis in process_text(process)


@pytest.mark.parametrize("role", list(Role))
def test_silicone_defaults_are_those_of_the_table(role: Role) -> None:
    limits = limits_for(load_process("pewter-silicone"), role, Overrules())
    metal = {Role.SILHOUETTE: 1.5}.get(role, 0.8)
    opening = {Role.SILHOUETTE: 2.0}.get(role, 0.8)
    advised = [
        limit.at(Grade.ADVISED)
        for limit in (limits.metal, limits.gap, limits.island, limits.opening)
    ]
    assert advised == [metal, 0.8, 1.6, opening]
    assert not limits.none


def test_as_drawn_limits_nothing() -> None:
    assert limits_for(load_process("as-drawn"), Role.RAISED, Overrules()).none


def test_own_figures_win() -> None:
    limits = limits_for(load_process("pewter-silicone"), Role.RAISED, Overrules(metal_mm=0.33))
    assert limits.metal.least == limits.metal.comfortable == 0.33
    assert limits.metal.evidence == "you"
    assert limits.gap.evidence == "J"


def test_own_file_round_trip(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    for name in process_names():
        file.write_text(process_toml(load_process(name)), encoding="utf-8")
        assert load_process(str(file)) == load_process(name)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "0 tables"),
        ("[a]\n[b]", "2 tables"),
        ("[a", "not valid TOML"),
        ("[a]\nlimits = 3", '"limits" is not a table'),
        ("a = 3", "not a table"),
        ("[a]\nlabel = 3", "not a text"),
        ("[a]\nmetl = 'x'", 'unknown key "metl"'),
        ("[a]\nalloy = 'unobtainium'", "not a known alloy"),
        ("[a.limits]\nwidth = {}", 'unknown limit "width"'),
        ("[a.limits]\ngap_width = { grades = [1, 2] }", "three numbers"),
        ("[a.limits]\ngap_width = { grades = [nan, 2, 3] }", "three numbers"),
        ("[a.limits]\ngap_width = { grades = [true, 2, 3] }", "three numbers"),
        ("[a.limits]\ngap_width = { grades = [3, 2, 1] }", "not in order"),
        ("[a.limits]\ngap_width = { grades = [1, 2, 3] }", "no evidence"),
        ("[a.limits]\ngap_width = { grades = [1, 2, 3], evidence = 'S' }", "no confidence"),
    ],
)
def test_a_wrong_file_is_refused_with_the_reason(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        load_process(str(file))
    assert says in str(caught.value)
    assert caught.value.status == 2


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"a" * 1_000_001, None])
def test_a_file_that_is_no_text_is_refused(tmp_path: Path, content: bytes | None) -> None:
    file = tmp_path / "mine.toml"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(UsageError):
        load_process(str(file))


@pytest.mark.parametrize("alloy", ["sterling-silver", "bronze", "zinc"])
def test_metal_too_hot_for_silicone_names_both_temperatures(alloy: str) -> None:
    """ITS-90 freezing points: Zn 419.527, Ag 961.78 C; rubber sheets stop at about 300 C."""
    with pytest.raises(UsageError) as caught:
        check_metal_and_mould(load_process("pewter-silicone"), alloy)
    assert f"{load_alloy(alloy).pour_c:g} °C" in str(caught.value)
    assert f"{load_mould('silicone').limit_c:g} °C" in str(caught.value)
    assert caught.value.code == "E_UNSAFE"


def test_lead_is_refused_with_the_rule() -> None:
    """EU REACH Annex XVII entry 63: 0.05 % lead by weight."""
    with pytest.raises(UsageError, match=r"37 % lead.*entry 63"):
        check_metal_and_mould(load_process("pewter-silicone"), "leaded-pewter")


def test_every_shipped_process_holds_its_own_metal() -> None:
    for name in process_names():
        check_metal_and_mould(load_process(name))


def test_tin_alloys_have_the_density_of_white_tin() -> None:
    """Grey tin is 5.77 g/cm3 and printed as "density of tin" in places: a trap."""
    for name in alloy_names():
        alloy = load_alloy(name)
        if "Sn" in alloy.label or name == "tin":
            assert alloy.density > 7.0
