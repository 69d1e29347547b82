"""Readers on damaged input: a result or a one-line error, never anything else; each kept with its message."""

import json
import shutil
from pathlib import Path

import fuzzing
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zrough import NcError, ZroughError, ncread

FOUND = sorted(p for p in fuzzing.FOUND.glob("*/*") if p.is_file())
ENDS = json.loads((fuzzing.FOUND / "expected.json").read_text())  # file -> words of its error; null: is read
PROGRAMS = Path(__file__).parent / "corpus_nc"
SAID = json.loads((PROGRAMS / "expected.json").read_text())  # file -> error, or findings [code, message]

pytestmark = pytest.mark.filterwarnings("ignore")  # what broken numbers make libraries say is no news


@pytest.mark.parametrize("path", FOUND, ids=[f"{p.parent.name}-{p.name}" for p in FOUND])
def test_past_trouble_stays_mended(path, tmp_path):
    (tmp_path / "part.stl").write_bytes(b"x")
    copy = tmp_path / f"input{path.suffix}"
    shutil.copy(path, copy)
    assert fuzzing.trouble(path.parent.name, copy) is None
    wanted = ENDS[f"{path.parent.name}/{path.name}"]
    if wanted is None:
        fuzzing.READERS[path.parent.name][0](copy)
    else:
        with pytest.raises(ZroughError) as caught:
            fuzzing.READERS[path.parent.name][0](copy)
        assert wanted in str(caught.value)


def test_every_file_has_its_message():
    assert sorted(ENDS) == [f"{p.parent.name}/{p.name}" for p in FOUND]
    assert sorted(SAID) == sorted(p.name for p in PROGRAMS.glob("*.nc"))


@pytest.mark.parametrize("name", sorted(SAID))
def test_programs_that_went_wrong(name):
    """All that is wrong with a program is named, and nothing else is."""
    text = (PROGRAMS / name).read_bytes().decode("latin-1")
    if isinstance(SAID[name], str):
        with pytest.raises(NcError) as caught:
            ncread.read(text)
        assert str(caught.value) == SAID[name]
        return
    program = ncread.read(text)
    assert [[f.code, f.message] for f in program.findings] == SAID[name]
    assert len(program)


@pytest.mark.parametrize(
    ("target", "rounds"),
    [
        ("job", 600),
        ("nc", 600),
        ("mesh", 300),
        ("leftover", 300),
        ("table", 600),
        ("block", 300),
        ("list", 300),
    ],
)
def test_damaged_input(target, rounds):
    done, found = fuzzing.search(target, rounds=rounds, seed=20)
    assert done == rounds
    assert [wrong for _, _, wrong in found] == []


_words = st.builds(
    lambda letter, number: letter + number,
    st.sampled_from(list("GMXYZIJKRFSTHDPNxgABOUW#[]()/%*")),
    st.sampled_from(["", "0", "1", "2", "3", "17", "18", "20", "28", "30", "90", "91", "-1.5", ".5",
                     "1e5",
                     "99999999",
                     "--", ".", "1.2.3", "+4"]),
)  # fmt: skip


@given(st.lists(st.lists(_words, max_size=6), max_size=12))
def test_any_words_as_a_program(lines):
    text = "\n".join(" ".join(words) for words in lines)
    try:
        program = ncread.read(text)
    except NcError as exc:
        assert str(exc).isprintable()
    else:
        assert all(f.message.isprintable() for f in program.findings)


@given(st.text(max_size=60))
def test_any_text_as_a_program(text):
    try:
        ncread.read(text)
    except NcError as exc:
        assert str(exc).isprintable()
