"""Lengths as the shop reads them in pages and pictures: mm, or inch for a job in inch."""

from __future__ import annotations

from collections.abc import Iterable

MM_PER_INCH = 25.4  # by definition, ISO 80000-3
_MM_PER_FOOT = 304.8


class Unit:
    """The unit of a job, and numbers in mm written in it.

    ``scale`` is mm in one unit of length, ``path_scale`` mm in one unit of path (m or ft).
    """

    def __init__(self, name: str = "mm") -> None:
        self.inch = name == "inch"
        self.name = "inch" if self.inch else "mm"
        self.area = "sq in" if self.inch else "cm²"
        self.volume = "cu in" if self.inch else "cm³"
        self.path = "ft" if self.inch else "m"
        self.scale = MM_PER_INCH if self.inch else 1.0
        self.path_scale = _MM_PER_FOOT if self.inch else 1000.0

    def length(self, mm: float | None, places: int = 3) -> str:
        """A length without its unit."""
        if mm is None:
            return "–"
        return f"{mm / self.scale:.{places + self.inch}f}".replace("-", "−")

    def short(self, mm: float | None) -> str:
        """A length with its unit, no more digits than it needs."""
        if mm is None:
            return "–"
        digits = f"{mm / self.scale:.{3 + self.inch}f}".rstrip("0").rstrip(".")
        return f"{'0' if digits == '-0' else digits} {self.name}".replace("-", "−")

    def point(self, place: Iterable[float | None]) -> str:
        """Coordinates without their unit."""
        return ", ".join(self.length(v, 2) for v in place)

    def far(self, mm: float | None) -> str:
        """A path length in m or ft, without its unit."""
        return "–" if mm is None else f"{mm / self.path_scale:.2f}"

    def speed(self, m_per_min: float | None) -> str:
        """A cutting speed with its unit; nothing when there is none."""
        if m_per_min is None:
            return ""
        return f"{1000.0 * m_per_min / self.path_scale:.0f} {self.path}/min"

    def plane(self, mm2: float | None) -> str:
        """An area in cm² or square inches, without its unit."""
        return "–" if mm2 is None else f"{mm2 / (self.scale**2 if self.inch else 100.0):.1f}"

    def patch(self, mm2: float | None) -> str:
        """A small area with its unit, mm² or square inches, two digits at least."""
        if mm2 is None:
            return "–"
        value = mm2 / self.scale**2
        digits = f"{value:.0f}" if value >= 10.0 else f"{value:.2g}" if value >= 1e-4 else f"{value:.5f}"
        return f"{digits} {'sq in' if self.inch else 'mm²'}"

    def space(self, mm3: float | None) -> str:
        """A volume in cm³ or cubic inches, without its unit."""
        return "–" if mm3 is None else f"{mm3 / (self.scale**3 if self.inch else 1000.0):.1f}"
