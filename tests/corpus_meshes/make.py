"""Writes the tiny broken mesh files next to it; run it to see how each one is broken."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent

CORNERS = np.array(
    [[x, y, z] for z in (-20.0, 0.0) for y in (-15.0, 15.0) for x in (-20.0, 20.0)], dtype=np.float32
)
# a box, normals outward
FACES = np.array(
    [[0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4],
     [2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5]]
)  # fmt: skip


def binary(triangles: np.ndarray) -> bytes:
    """A binary STL file of triangles (m, 3, 3)."""
    record = np.zeros(len(triangles), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    record["v"] = triangles
    return b"tiny".ljust(80, b"\0") + struct.pack("<I", len(triangles)) + record.tobytes()


def text(triangles: np.ndarray, end: str = "endsolid tiny\n") -> str:
    """A text STL file of triangles (m, 3, 3)."""
    lines = ["solid tiny"]
    for triangle in triangles:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += ["vertex " + " ".join(f"{v:g}" for v in corner) for corner in triangle]
        lines += ["endloop", "endfacet"]
    return "\n".join(lines) + "\n" + end


def main() -> None:
    """Write every file."""
    box = CORNERS[FACES]
    nan = box.copy()
    nan[3, 1, 2] = np.nan
    wall = box.copy()
    wall[:, :, 1] = 0.0
    files: dict[str, bytes | str] = {
        # refused
        "empty.stl": b"",
        "empty.step": b"",
        "header_only.stl": binary(box[:0]),
        "short_header.stl": b"tiny",
        "cut_short.stl": binary(box)[:-70],
        "cut_short_text.stl": text(box)[:-60],
        "no_facets.stl": "solid nothing\nendsolid nothing\n",
        "letter.stl": "Dear toolroom,\nthe mesh follows by separate mail. " * 4,
        "solid_letter.stl": "solid advice is hard to come by, said the toolmaker. " * 4,
        "nan.stl": binary(nan),
        "points.stl": binary(np.repeat(box[:, :1], 3, axis=1)),
        "upright.stl": binary(wall),
        "no_faces.obj": "v 0 0 0\nv 1 0 0\nv 0 1 0\n",
        "letter.obj": "nothing of use\n",
        "letter.ply": "ply? no\n",
        "cut_short.ply": "ply\nformat ascii 1.0\nelement vertex 4\n"
        "property float x\nproperty float y\nproperty float z\n"
        "element face 1\nproperty list uchar int vertex_indices\nend_header\n0 0 0\n9 0 0\n",
        "letter.glb": b"glTF but not really",
        "letter.3mf": b"PK but not really",
        "letter.step": "ISO or not ISO, that is the question\n",
        "cut_short.step": "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION(('x'),'2;1');\n",
        # mended
        "inverted.stl": binary(box[:, ::-1]),
        "half_inverted.stl": binary(np.concatenate((box[::2], box[1::2, ::-1]))),
        "open_bottom.stl": binary(box[2:]),
        "open_top.stl": binary(np.delete(box, (2, 3), axis=0)),
        "missing_facet.stl": binary(np.delete(box, 2, axis=0)),
        "twice.stl": binary(np.concatenate((box, box[:4]))),
        "slivers.stl": binary(np.concatenate((box, np.repeat(box[:3, :1], 3, axis=1)))),
        "two_boxes.stl": binary(np.concatenate((box, box + np.float32([10, 5, -3])))),
        "box.stl": binary(box),
        "box_text.stl": text(box),
    }
    for name, content in files.items():
        (HERE / name).write_bytes(content.encode() if isinstance(content, str) else content)


if __name__ == "__main__":
    main()
