"""Cutting data: speeds, feeds, forces and limits that a shop would run.

`propose(job)` gives a `CuttingData`; its `feed_for` gives the feed of each move from the engagement measured.
"""

from zrough.cutting.bending import bending_stress, tip_deflection
from zrough.cutting.formulas import centre_feed
from zrough.cutting.kienzle import Forces, forces
from zrough.cutting.materials import Material, find_material, known_materials, user_materials
from zrough.cutting.proposal import Conditions, CuttingData, Limit, conditions, propose, propose_for
from zrough.cutting.rows import HEADER, Row, table

__all__ = [
    "HEADER",
    "Conditions",
    "CuttingData",
    "Forces",
    "Limit",
    "Material",
    "Row",
    "bending_stress",
    "centre_feed",
    "conditions",
    "find_material",
    "forces",
    "known_materials",
    "propose",
    "propose_for",
    "table",
    "tip_deflection",
    "user_materials",
]
