"""The material table: printed numbers, sources, look-up, the user's own."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zrough import cutting
from zrough.cutting.materials import DATA, brinell
from zrough.errors import CuttingDataError


@pytest.mark.parametrize(
    ("name", "hb", "kc11", "mc"),
    [
        # Iscar turning catalogue 2017 pp.556-558 and boring systems catalogue 2022 about p.109, material
        # groups
        ("carbon steel", 125, 1350, 0.21),
        ("carbon steel", 190, 1500, 0.22),
        ("carbon steel", 250, 1675, 0.24),
        ("carbon steel", 300, 1900, 0.24),
        ("low-alloy steel", 200, 1775, 0.24),
        ("low-alloy steel", 275, 1675, 0.24),
        ("low-alloy steel", 300, 1725, 0.24),
        ("low-alloy steel", 350, 1800, 0.24),
        ("tool steel", 200, 2450, 0.23),
        ("tool steel", 325, 2500, 0.23),
        ("stainless steel, martensitic", 200, 1875, 0.21),
        ("stainless steel, martensitic", 240, 1875, 0.21),
        ("stainless steel, austenitic", 180, 2150, 0.20),
        ("grey iron", 180, 1150, 0.20),
        ("grey iron", 260, 1350, 0.28),
        ("nodular iron", 160, 1225, 0.25),
        ("nodular iron", 250, 1350, 0.28),
        ("malleable iron", 130, 1225, 0.25),
        ("malleable iron", 230, 1420, 0.30),
        ("aluminium", 60, 700, 0.25),
        ("aluminium", 100, 800, 0.25),
        ("aluminium, cast, low silicon", 75, 700, 0.25),
        ("aluminium, cast, low silicon", 90, 700, 0.25),
        ("aluminium, cast, high silicon", 130, 750, 0.25),
        ("copper", 90, 700, 0.27),
        ("brass", 100, 700, 0.27),
    ],
)
def test_printed_groups(name, hb, kc11, mc):
    material = cutting.find_material(name, float(hb))
    assert (material.kc11, material.mc) == (kc11, mc)


def test_titanium_takes_the_higher_of_two_printed_values():
    # same catalogues: 1700/.23 (2017) against 1160/.24 (2022), and 2110/.22 against 1245/.24
    pure, alloy = cutting.find_material("titanium"), cutting.find_material("titanium alloy")
    assert (pure.kc11, pure.mc) == (1700, 0.23)
    assert (alloy.kc11, alloy.mc) == (2110, 0.22)


def test_hardened_steel_by_rockwell():
    # same catalogues: 4600 at 55 HRC, 4700 at 60 HRC; no exponent printed
    assert cutting.find_material("H", hardness_hrc=55.0).kc11 == 4600
    assert cutting.find_material("1.2379", hardness_hrc=60.0).kc11 == 4700
    assert cutting.find_material("1.2343", hardness_hrc=52.0).iso == "H"
    assert cutting.find_material("1.2343").iso == "P"


@pytest.mark.parametrize(
    ("name", "hb", "low", "high"),
    [
        # Iscar solid carbide catalogue 2022 about p.90: surface speed ranges
        ("carbon steel", 125, 210, 300),
        ("carbon steel", 190, 200, 250),
        ("carbon steel", 250, 160, 240),
        ("low-alloy steel", 200, 160, 240),
        ("low-alloy steel", 275, 120, 200),
        ("tool steel", 200, 130, 200),
        ("tool steel", 325, 70, 130),
        ("stainless steel, martensitic", 200, 80, 175),
        ("stainless steel, austenitic", 180, 60, 110),
        ("grey iron", 180, 150, 275),
        ("nodular iron", 250, 90, 150),
    ],
)
def test_printed_speed_ranges(name, hb, low, high):
    material = cutting.find_material(name, float(hb))
    assert material.surface_speed_range == (low, high)
    # the base, for half the width, lies in the lower half of the range or below it: light-radial tables
    # are slower
    assert 0.75 * low <= material.surface_speed <= 0.5 * (low + high)


def _numbers(table: dict) -> bool:
    return any(isinstance(v, int | float) and not isinstance(v, bool) for v in table.values())


def _unsourced(node: object, sources: set[str], path: str = "") -> list[str]:
    """Inline tables that hold a number and no known source."""
    found = []
    if isinstance(node, dict):
        if _numbers(node) and node.get("source") not in sources:
            found.append(path)
        for key, value in node.items():
            found += _unsourced(value, sources, f"{path}.{key}")
    elif isinstance(node, list):
        for i, value in enumerate(node):
            found += _unsourced(value, sources, f"{path}[{i}]")
    return found


def test_every_number_names_its_source():
    raw = tomllib.loads((DATA / "materials.toml").read_text())
    sources = set(raw["sources"])
    assert raw["grades"]["source"] in sources
    assert raw["hardness"]["source"] in sources
    for family in raw["family"]:
        # the family's own default hardness and range are choices; each rung must be sourced throughout
        for i, rung in enumerate(family["rung"]):
            assert _unsourced(rung, sources, f"{family['name']}[{i}]") == []
            assert {"force", "speed", "chip", "bite", "ramp"} <= set(rung)


def test_rungs_climb_in_hardness():
    raw = tomllib.loads((DATA / "materials.toml").read_text())
    for family in raw["family"]:
        hardness = [rung["force"]["hb"] for rung in family["rung"]]
        assert hardness == sorted(set(hardness))
        low, high = family["hb_range"]
        assert low <= hardness[0]
        assert hardness[-1] <= high
        assert low <= family["default_hb"] <= high


def test_all_names_are_found_and_distinct():
    names = cutting.known_materials()
    assert len(names) == len(set(names))
    for name in names:
        material = cutting.find_material(name)
        assert material.name == name
        assert material.assumed_hardness
        assert material.kc11 > 0.0
        assert len(material.sources) == 5
    for letter in "PMKNSH":
        assert cutting.find_material(letter).iso == letter
        assert cutting.find_material(f"ISO {letter.lower()}").iso == letter


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("Tool Steel,  Pre-Hardened", "tool steel, pre-hardened"),
        ("P20", "1.2311"),
        ("40crmnmo7", "1.2311"),
        ("gray iron", "grey iron"),
        ("aluminum", "aluminium"),
        ("7075", "EN AW-7075"),
        ("mold steel, pre-hardened", "tool steel, pre-hardened"),
    ],
)
def test_names_as_people_write_them(asked, found):
    assert cutting.find_material(asked).name == found


def test_rockwell_to_brinell():
    # pairs near those of ISO 18265 for steel, from memory: 30 HRC 286, 45 HRC 421 HB
    assert brinell(30.0) == pytest.approx(286, abs=3)
    assert brinell(45.0) == pytest.approx(421, abs=5)


@given(st.floats(20.0, 65.0), st.floats(20.0, 65.0))
def test_brinell_rises(a, b):
    low, high = sorted((a, b))
    assert brinell(low) <= brinell(high)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("unobtainium",), '"unobtainium" is not known'),
        (("1.2312x",), "Nearest: 1.2312"),
        (("Q",), "is not known"),
        (("",), "is not known"),
        (("aluminium", 400.0), "at 400 HB is outside 20 to 190 HB of aluminium"),
        (("1.2311", 300.0, 30.0), "are both given; keep one"),
        (("1.2311", None, 12.0), "hardness_hrc = 12 is outside 20 to 65"),
    ],
)
def test_refusals(arguments, text):
    with pytest.raises(CuttingDataError, match=text) as caught:
        cutting.find_material(*arguments)
    assert "\n" not in str(caught.value)


def test_unknown_names_list_the_known_ones():
    with pytest.raises(CuttingDataError) as caught:
        cutting.find_material("x")
    for name in cutting.known_materials():
        assert name in str(caught.value)


# ---- the user's own


OWN = """
[[material]]
name = "sleeve bronze"
iso = "N"
kc11 = 900
mc = 0.26
surface_speed = 180
chip_over_d = 0.006
radial_ratio = 0.2
axial_ratio = 1.5
ramp_angle_deg = 3.0

[[material]]
name = "our insert steel"
like = "1.2311"
surface_speed = 95
source = "tried on the bench, spring"
"""


@pytest.fixture
def own(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(OWN)
    return path


def test_own_materials(own):
    bronze = cutting.find_material("Sleeve Bronze", table=own)
    assert (bronze.kc11, bronze.mc, bronze.iso, bronze.hardness_hb) == (900, 0.26, "N", None)
    assert dict(bronze.sources)["kc11"] == "user's own table"
    steel = cutting.find_material("our insert steel", table=own)
    known = cutting.find_material("1.2311")
    assert steel.surface_speed == 95
    assert steel.kc11 == known.kc11
    assert dict(steel.sources)["surface_speed"] == "tried on the bench, spring"
    assert cutting.find_material("1.2311", table=own) == known


def test_own_materials_are_listed_when_a_name_fails(own):
    with pytest.raises(CuttingDataError, match="Known: sleeve bronze; our insert steel; steel"):
        cutting.find_material("nothing like it", table=own)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[material]]\nkc11 = 900\n", "material 1: name is missing"),
        (
            '[[material]]\nname = "a"\niso = "P"\nkc11 = 900\n',
            'material 1 "a": mc is missing; give it, or like',
        ),
        ('[[material]]\nname = "a"\nlike = "P20"\nkc11 = "soft"\n', 'kc11 = "soft" must be a number from 50'),
        ('[[material]]\nname = "a"\nlike = "P20"\nmc = 2.0\n', "mc = 2.0 must be a number from 0 to 0.6"),
        ('[[material]]\nname = "a"\nlike = "P20"\nkc11 = nan\n', "kc11 = nan must be"),
        ('[[material]]\nname = "a"\nlike = "P20"\niso = "Z"\n', 'iso = "Z" must be one of'),
        ('[[material]]\nname = "a"\nlike = "P20"\nspeed = 3\n', "unknown key speed; known: name"),
        ('[[material]]\nname = "a"\nlike = "nope"\n', '"nope" is not known'),
        ('[[material]]\nname = "a"\nlike = 3\n', "like = 3 must be text"),
        ("material = 3\n", "expected \\[\\[material\\]\\] tables"),
        ("", "expected \\[\\[material\\]\\] tables"),
        ("[[material]\n", "not a TOML file"),
    ],
)
def test_faulty_tables(tmp_path, text, message):
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(CuttingDataError, match=message) as caught:
        cutting.find_material("a", table=path)
    assert "own.toml" in str(caught.value) or "nope" in message
    assert "\n" not in str(caught.value)


def test_missing_table(tmp_path):
    with pytest.raises(CuttingDataError, match=r"none\.toml: cannot be read"):
        cutting.user_materials(tmp_path / "none.toml")
