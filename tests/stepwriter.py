"""Writes small STEP files (ISO 10303-21, AP214 entities) of blocks and upright cylinders, for tests."""

from __future__ import annotations

from collections.abc import Sequence

LENGTH = {
    "mm": "(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))",
    "m": "(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT($,.METRE.))",
}


class Writer:
    """Collects numbered entities."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, text: str) -> str:
        self.lines.append(f"#{len(self.lines) + 1}={text};")
        return f"#{len(self.lines)}"

    def point(self, p: Sequence[float]) -> str:
        return self.add("CARTESIAN_POINT('',(" + ",".join(repr(float(v)) for v in p) + "))")

    def direction(self, d: Sequence[float]) -> str:
        return self.add("DIRECTION('',(" + ",".join(repr(float(v)) for v in d) + "))")

    def frame(self, p: Sequence[float], z: Sequence[float], x: Sequence[float]) -> str:
        return self.add(f"AXIS2_PLACEMENT_3D('',{self.point(p)},{self.direction(z)},{self.direction(x)})")

    def vertex(self, p: Sequence[float]) -> str:
        return self.add(f"VERTEX_POINT('',{self.point(p)})")

    def line(self, a: Sequence[float], b: Sequence[float], va: str, vb: str) -> str:
        d = [q - p for p, q in zip(a, b, strict=True)]
        long = sum(v * v for v in d) ** 0.5
        vector = self.add(f"VECTOR('',{self.direction([v / long for v in d])},1.0)")
        curve = self.add(f"LINE('',{self.point(a)},{vector})")
        return self.add(f"EDGE_CURVE('',{va},{vb},{curve},.T.)")

    def face(self, edges: Sequence[tuple[str, bool]], surface: str) -> str:
        parts = [self.add(f"ORIENTED_EDGE('',*,*,{e},{'.T.' if way else '.F.'})") for e, way in edges]
        loop = self.add(f"EDGE_LOOP('',({','.join(parts)}))")
        bound = self.add(f"FACE_OUTER_BOUND('',{loop},.T.)")
        return self.add(f"ADVANCED_FACE('',({bound}),{surface},.T.)")

    def solid(self, faces: Sequence[str]) -> str:
        shell = self.add(f"CLOSED_SHELL('',({','.join(faces)}))")
        return self.add(f"MANIFOLD_SOLID_BREP('',{shell})")

    def block(self, low: Sequence[float], high: Sequence[float]) -> str:
        p = {(i, j, k): [(low, high)[s][n] for n, s in enumerate((i, j, k))]
             for i in (0, 1) for j in (0, 1) for k in (0, 1)}  # fmt: skip
        v = {key: self.vertex(at) for key, at in p.items()}
        e: dict[tuple, str] = {}
        faces = []
        for axis in range(3):
            for side in (0, 1):
                b, c = (axis + 1) % 3, (axis + 2) % 3
                ring = []
                for s, t in ((0, 0), (1, 0), (1, 1), (0, 1)):
                    key = [0, 0, 0]
                    key[axis], key[b], key[c] = side, s, t
                    ring.append(tuple(key))
                if side == 0:
                    ring.reverse()
                edges = []
                for q, r in zip(ring, ring[1:] + ring[:1], strict=True):
                    way = q < r
                    key = (q, r) if way else (r, q)
                    if key not in e:
                        e[key] = self.line(p[key[0]], p[key[1]], v[key[0]], v[key[1]])
                    edges.append((e[key], way))
                z = [0.0, 0.0, 0.0]
                z[axis] = 1.0 if side else -1.0
                x = [0.0, 0.0, 0.0]
                x[b] = 1.0
                faces.append(self.face(edges, self.add(f"PLANE('',{self.frame(p[ring[0]], z, x)})")))
        return self.solid(faces)

    def cylinder(self, centre: Sequence[float], radius: float, bottom: float, top: float) -> str:
        x, y = centre
        low, high = [x, y, bottom], [x, y, top]
        at_low, at_high = [x + radius, y, bottom], [x + radius, y, top]
        up, right = [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]
        vb, vt = self.vertex(at_low), self.vertex(at_high)
        rings = []
        for middle, v in ((low, vb), (high, vt)):
            circle = self.add(f"CIRCLE('',{self.frame(middle, up, right)},{radius!r})")
            rings.append(self.add(f"EDGE_CURVE('',{v},{v},{circle},.T.)"))
        seam = self.line(at_low, at_high, vb, vt)
        side = self.add(f"CYLINDRICAL_SURFACE('',{self.frame(low, up, right)},{radius!r})")
        under = self.add(f"PLANE('',{self.frame(low, [0.0, 0.0, -1.0], right)})")
        over = self.add(f"PLANE('',{self.frame(high, up, right)})")
        return self.solid([
            self.face([(rings[0], True), (seam, True), (rings[1], False), (seam, False)], side),
            self.face([(rings[0], False)], under),
            self.face([(rings[1], True)], over),
        ])  # fmt: skip

    def text(self, solids: Sequence[str], unit: str = "mm") -> str:
        """The file, its lengths in ``unit`` (mm, m or inch)."""
        if unit == "inch":
            mm = self.add(LENGTH["mm"])
            powers = self.add("DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.)")
            measure = self.add(f"LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),{mm})")
            length = self.add(f"(CONVERSION_BASED_UNIT('INCH',{measure})LENGTH_UNIT()NAMED_UNIT({powers}))")
        else:
            length = self.add(LENGTH[unit])
        angle = self.add("(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.))")
        cone = self.add("(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT())")
        fuzz = self.add(f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-6),{length},'','')")
        context = self.add(
            "(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT(("
            f"{fuzz}))GLOBAL_UNIT_ASSIGNED_CONTEXT(({length},{angle},{cone}))REPRESENTATION_CONTEXT('',''))"
        )
        frame = self.frame([0, 0, 0], [0, 0, 1], [1, 0, 0])
        shape = self.add(f"ADVANCED_BREP_SHAPE_REPRESENTATION('',({','.join([frame, *solids])}),{context})")
        app = self.add("APPLICATION_CONTEXT('automotive design')")
        product_context = self.add(f"PRODUCT_CONTEXT('',{app},'mechanical')")
        product = self.add(f"PRODUCT('insert','insert','',({product_context}))")
        formation = self.add(f"PRODUCT_DEFINITION_FORMATION('','',{product})")
        definition_context = self.add(f"PRODUCT_DEFINITION_CONTEXT('part definition',{app},'design')")
        definition = self.add(f"PRODUCT_DEFINITION('','',{formation},{definition_context})")
        of = self.add(f"PRODUCT_DEFINITION_SHAPE('','',{definition})")
        self.add(f"SHAPE_DEFINITION_REPRESENTATION({of},{shape})")
        head = (
            "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION(('test'),'2;1');\n"
            "FILE_NAME('insert','2024-01-01T00:00:00',(''),(''),'','','');\n"
            "FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));\nENDSEC;\nDATA;\n"
        )
        return head + "\n".join(self.lines) + "\nENDSEC;\nEND-ISO-10303-21;\n"
