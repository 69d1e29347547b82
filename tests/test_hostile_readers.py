"""Readers on damaged input: a result or a one-line error, never anything else."""

import shutil

import fuzzing
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zrough import NcError, ncread

FOUND = sorted(p for p in fuzzing.FOUND.glob("*/*") if p.is_file())

pytestmark = pytest.mark.filterwarnings("ignore")  # what broken numbers make libraries say is no news


@pytest.mark.parametrize("path", FOUND, ids=[f"{p.parent.name}-{p.name}" for p in FOUND])
def test_past_trouble_stays_mended(path, tmp_path):
    (tmp_path / "part.stl").write_bytes(b"x")
    copy = tmp_path / f"input{path.suffix}"
    shutil.copy(path, copy)
    assert fuzzing.trouble(path.parent.name, copy) is None


@pytest.mark.parametrize(("target", "rounds"), [("job", 600), ("nc", 600), ("mesh", 150)])
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
