"""Job files that went wrong somewhere, each kept with the message it must end in."""

import json
from pathlib import Path

import pytest

from zrough import Job, JobError

CORPUS = Path(__file__).parent / "corpus_jobs"
EXPECTED = json.loads((CORPUS / "expected.json").read_text())


@pytest.fixture(autouse=True, scope="module")
def part_file(tmp_path_factory):
    """The corpus holds no part: a copy of it beside one."""
    folder = tmp_path_factory.mktemp("jobs")
    for file in CORPUS.glob("*.toml"):
        (folder / file.name).write_bytes(file.read_bytes())
    (folder / "part.stl").write_bytes(b"x")
    return folder


def test_every_file_has_its_message():
    assert sorted(p.name for p in CORPUS.glob("*.toml")) == sorted(EXPECTED)


@pytest.mark.parametrize("name", sorted(EXPECTED))
def test_corpus(part_file, name):
    expected = EXPECTED[name]
    if expected is None:
        assert Job.from_toml(part_file / name).cutter.diameter == 12
        return
    with pytest.raises(JobError) as caught:
        Job.from_toml(part_file / name)
    text = str(caught.value)
    assert expected in text
    assert name in text
    assert text.isprintable()
    assert len(text) < 600
