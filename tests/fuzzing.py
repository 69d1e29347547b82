"""Feed readers with damaged input for as long as wanted; keep what breaks them.

    python tests/fuzzing.py nc --seconds 60

Targets: job, nc, mesh, leftover (maps of an earlier setup), table (of materials), block (start and end of
the program), list (of jobs). Archives are damaged inside, or their checksums would stop all of it. Inputs
that end in anything but a result or a one-line error of the package are stored in tests/corpus_found/TARGET
and replayed by the test suite from then on; write what they must end in into expected.json there.
"""

import argparse
import functools
import hashlib
import io
import os
import random
import sys
import tempfile
import time
import zipfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
FOUND = HERE / "corpus_found"
sys.path.insert(0, str(HERE.parent))

from zrough import Job, ZroughError  # noqa: E402

NC_SEEDS = [
    b"%\nO1 (CORE)\nG21 G17 G90 G94 G54\nT1 M6\nS5000 M3\nG0 X0. Y0. Z10.\nG1 Z-1. F100.\nX10.5 Y-3.25\n"
    b"G2 X20. Y0. I5. J3.25\nG3 X0. Y0. Z-2. R10.\nG0 Z10.\nM5\nM30\n%\n",
    b"G20\nG91\nN10 G01 X.5 Y-.25 F20\nN20 G02 X1 I.5 J0\nG4 P0.5\nG28\nG53 G0 Z0\nM2\n",
    b"G71 G90\nG18 G3 X1 Z1 I1 K0 F50 (arc\n)/N5 G1 X5\nG41 D1\nG43 H1\n#1=5\nG65 P1\n; end\nM30",
]
NC_WORDS = [
    b"G0", b"G1", b"G2", b"G3", b"G17", b"G18", b"G19", b"G20", b"G21", b"G28", b"G41", b"G53",
    b"G54", b"G61", b"G90", b"G91", b"G91.1", b"G92", b"G93", b"M30", b"X1e400", b"X--1", b"X.",
    b"X1.5", b"Y-2", b"Z-5.", b"I0", b"J0", b"K1", b"R0", b"R-5",
    b"F0", b"F1e9", b"S-1", b"(", b")", b"%", b"/", b"\r\n", b"\n", b" ",
    b"\x00", b"\xff", b"#[1+", b"N99999999999", b"X" + b"9" * 400, b"G1.23456789", b"G", b"G999999999999",
]  # fmt: skip
JOB_WORDS = [
    b"=", b"[", b"]", b"[[", b"nan", b"-inf", b"1e999", b'"', b"'''", b"true", b"{", b"}", b",", b"\n", b"#",
    b"9" * 30, b"0x", b"1979-05-27",
    b"\\u0000", b"\xef\xbb\xbf", b"../", b"/dev/zero", b"diameter", b"cutter",
]  # fmt: skip
MESH_WORDS = [
    b"nan", b"inf", b"1e40", b"-1", b"99999999", b"\xff\xff\xff\xff", b"\x00\x00\xc0\x7f",
    b"f 1 2 3\n", b"v 0 0 0\n",
    b"facet normal 0 0 0\n", b"endfacet\n", b"vertex 1 2\n", b"end_header\n", b"element face 3\n",
    b"PK\x03\x04",
]  # fmt: skip
TABLE_WORDS = [
    b"[[material]]", b"[material]", b'like = "P"', b'iso = "Q"', b"kc11 = ", b"nan", b"inf", b"-1",
    b"[1]", b"{}", b"9" * 5000, b"0x" + b"f" * 5000, b'name = ""', b"=", b"\n", b'"',
    b"true", b"1979-05-27", b"\xff",
]  # fmt: skip
LEFTOVER_WORDS = [
    b"null", b"[]", b"{}", b"[1]", b"NaN", b"-1", b"1e999", b'"', b"9" * 5000, b"meta", b"bottom", b"levels",
    b"\x00\x00\x00\x00\x00\x00\xf8\x7f", b"\xff\xff\xff\xff\xff\xff\xef\x7f", b"(2, 3)", b"(9999999999, 3)",
    b"True", b"<f8", b"|O", b"<i8",
]  # fmt: skip
BLOCK_WORDS = [
    b"[tool]", b"[program]", b"[", b"]", b"${x}", b"${speed}", b"${", b"}", b"$", b"${nothing}", b"\n",
    b"(", b")", b"\x00", b"\xff", b"G0", b"M30", b"%", b"X" * 300,
]  # fmt: skip
LIST_WORDS = [b"#", b"\n", b"a.toml", b"/", b"..", b"\x00", b"\xff", b"~", b"x" * 5000]
BLOCK = (
    b"[program]\nO1200\n${units} G17 G90 G94 G40\n[tool]\nT${tool} M6\nS${speed} M3\nG0 X${x} Y${y}\n"
    b"G43 H${tool} Z${z}\n${coolant}\n"
)
TABLE = (
    b'[[material]]\nname = "shop steel"\nlike = "1.2311"\nhardness_hb = 300\nkc11 = 1900.0\n'
    b'source = "trials"\n'
    b'[[material]]\nname = "bronze"\niso = "N"\nkc11 = 900.0\nmc = 0.2\nsurface_speed = 200.0\n'
    b"chip_over_d = 0.006\nradial_ratio = 0.1\naxial_ratio = 1.0\nramp_angle_deg = 3.0\n"
)


def seeds_of(target):
    """Inputs to damage: ``(suffix, bytes)``."""
    if target == "table":
        return [(".toml", TABLE)]
    if target == "block":
        return [(".txt", BLOCK)]
    if target == "list":
        return [(".txt", b"# tonight\na.toml\nb/c.toml  # later\n")]
    if target == "leftover":
        return [(".npz", leftover_map())]
    if target == "job":
        return [(".toml", p.read_bytes()) for p in sorted((HERE / "corpus_jobs").glob("*.toml"))]
    if target == "nc":
        return [(".nc", seed) for seed in NC_SEEDS]
    files = sorted((HERE / "corpus_meshes").glob("*"))
    kinds = (".stl", ".obj", ".ply", ".3mf", ".glb")
    broken = [(p.suffix, p.read_bytes()) for p in files if p.suffix in kinds and p.stat().st_size < 20_000]
    return broken + sound_meshes()


@functools.cache
def sound_meshes():
    """A box in every format."""
    import trimesh

    box = trimesh.creation.box((40, 30, 20))
    found = [(f".{kind}", box.export(file_type=kind)) for kind in ("obj", "ply", "3mf", "glb")]
    found.append((".ply", box.export(file_type="ply", encoding="ascii")))
    return [(suffix, data.encode() if isinstance(data, str) else data) for suffix, data in found]


@functools.cache
def leftover_map():
    """A small leftover map as it is written."""
    import numpy as np

    from zrough.grid import Grid
    from zrough.stock import save_leftover

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "leftover.npz"
        heights = np.array([[0.0, -1.0, -np.inf], [0.0, -2.0, -3.0]])
        save_leftover(path, Grid(-1.0, 2.0, 0.5, 3, 2), heights, {"bottom": -9.0, "levels": [-1.0, -2.0]})
        return path.read_bytes()


def damaged(rng, seeds, words):
    """One of the seeds after a few random cuts, flips, copies and insertions."""
    suffix, seed = rng.choice(seeds)
    if seed[:4] == b"PK\x03\x04" and rng.random() < 0.8:
        return suffix, repacked(rng, seed, words)
    return suffix, bent(rng, seed, [data for _, data in seeds], words)


def repacked(rng, seed, words):
    """An archive with one of its files damaged."""
    with zipfile.ZipFile(io.BytesIO(seed)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = rng.choice(sorted(members))
    members[name] = bent(rng, members[name], list(members.values()), words)
    if rng.random() < 0.05:
        del members[name]
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, content in members.items():
            archive.writestr(zipfile.ZipInfo(name), content)
    return stream.getvalue()


def bent(rng, seed, seeds, words):
    """Bytes after a few random cuts, flips, copies and insertions."""
    data = bytearray(seed)
    for _ in range(rng.choice((1, 1, 2, 3, 6, 12))):
        at = rng.randrange(len(data) + 1)
        to = min(len(data), at + rng.choice((1, 2, 4, 8, 40, 400)))
        what = rng.randrange(7)
        if what == 0:
            del data[at:to]
        elif what == 1:
            data[at:to] = rng.randbytes(to - at)
        elif what == 2:
            data[at:at] = rng.choice(words)
        elif what == 3:
            data[at:to] = rng.choice(words)
        elif what == 4:
            data[at:at] = data[at:to] * rng.choice((1, 2, 9))
        elif what == 5 and at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        elif what == 6:
            other = rng.choice(seeds)
            data[at:] = other[rng.randrange(len(other) + 1) :]
    return bytes(data)


def read_job(path):
    Job.from_toml(path)


def read_nc(path):
    from zrough import ncread

    text = path.read_bytes().decode("latin-1")
    program = ncread.read(text)
    for finding in program.findings:
        if not finding.message.isprintable():
            raise ValueError(f"a finding is not one printable line, but: {finding.message!r}")


def read_mesh(path):
    import trimesh.util

    from zrough import part

    trimesh.util.log.disabled = True
    part.load_file(path)


def read_leftover(path):
    """As a job reads it: the map, then the stock that it makes."""
    from zrough import stock
    from zrough.grid import Grid

    grid, heights, notes = stock.load_leftover(path)
    found = stock._from_map(grid, heights, notes, path.name)
    top = found.top(Grid(-2.0, 1.0, 0.7, 6, 5))
    if len(found.cut_at) > 9999 or (top > found.upper[2]).any():
        raise ValueError("the stock is higher than its own top")


def read_table(path):
    from zrough.cutting.materials import user_materials

    user_materials(path)


def read_block(path):
    """As a job does: the text that it makes must be fit for a program."""
    from zrough.post import FIELDS, _Block
    from zrough.warm import sample_job

    job = sample_job().replace(output={"start_block": path.name}).based_in(path.parent)
    block = _Block.load(job, "start_block")
    for section in block.sections:
        for line in block.fill(section, dict.fromkeys(FIELDS, "1")).splitlines():
            if not line.isprintable():
                raise ValueError(f"a line of the program is not printable, but: {line!r}")


def read_list(path):
    from zrough.batch import find_jobs

    find_jobs([path])


READERS = {
    "job": (read_job, JOB_WORDS),
    "nc": (read_nc, NC_WORDS),
    "mesh": (read_mesh, MESH_WORDS),
    "leftover": (read_leftover, LEFTOVER_WORDS),
    "table": (read_table, TABLE_WORDS),
    "block": (read_block, BLOCK_WORDS),
    "list": (read_list, LIST_WORDS),
}


def trouble(target, path):
    """What is wrong with the way the reader ends on this file; None if nothing is."""
    try:
        READERS[target][0](path)
    except ZroughError as exc:
        text = str(exc)
        fine = text and text.isprintable()
        return None if fine else f"not one printable line, but this text: {text!r}"
    except Exception as exc:  # anything else is what we look for
        return f"{type(exc).__name__}: {exc}"
    return None


def search(target, rounds=None, seconds=None, seed=0):
    """Damage and read; ``(rounds done, [(suffix, bytes, trouble)])`` with one input a kind."""
    rng = random.Random(seed)
    seeds, words = seeds_of(target), READERS[target][1]
    end = None if seconds is None else time.monotonic() + seconds
    found, done = {}, 0
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "part.stl").write_bytes(b"x")
        while (rounds is None or done < rounds) and (end is None or time.monotonic() < end):
            suffix, data = damaged(rng, seeds, words)
            path = Path(folder) / f"input{suffix}"
            path.write_bytes(data)
            wrong = trouble(target, path)
            done += 1
            if wrong:
                found.setdefault(wrong[:40], (suffix, data, wrong))
    return done, list(found.values())


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("target", choices=sorted(READERS))
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--seed", type=int, default=None)
    asked = options.parse_args()
    seed = int.from_bytes(os.urandom(4)) if asked.seed is None else asked.seed
    done, found = search(asked.target, seconds=asked.seconds, seed=seed)
    print(f"{asked.target}: {done} inputs with seed {seed}, {len(found)} kinds of trouble")
    for suffix, data, wrong in found:
        folder = FOUND / asked.target
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / (hashlib.sha256(data).hexdigest()[:12] + suffix)
        path.write_bytes(data)
        print(f"{path}: {wrong}")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
