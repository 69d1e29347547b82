"""Feed readers with damaged input for as long as wanted; keep what breaks them.

    python tests/fuzzing.py nc --seconds 60

Targets: job, nc, mesh. Inputs that end in anything but a result or a one-line error of the package are
stored in tests/corpus_found/TARGET and replayed by the test suite from then on.
"""

import argparse
import hashlib
import os
import random
import sys
import tempfile
import time
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


def seeds_of(target):
    """Inputs to damage: ``(suffix, bytes)``."""
    if target == "job":
        return [(".toml", p.read_bytes()) for p in sorted((HERE / "corpus_jobs").glob("*.toml"))]
    if target == "nc":
        return [(".nc", seed) for seed in NC_SEEDS]
    files = sorted((HERE / "corpus_meshes").glob("*"))
    kinds = (".stl", ".obj", ".ply", ".3mf", ".glb")
    return [(p.suffix, p.read_bytes()) for p in files if p.suffix in kinds and p.stat().st_size < 20_000]


def damaged(rng, seeds, words):
    """One of the seeds after a few random cuts, flips, copies and insertions."""
    suffix, seed = rng.choice(seeds)
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
            other = rng.choice(seeds)[1]
            data[at:] = other[rng.randrange(len(other) + 1) :]
    return suffix, bytes(data)


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


READERS = {"job": (read_job, JOB_WORDS), "nc": (read_nc, NC_WORDS), "mesh": (read_mesh, MESH_WORDS)}


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
