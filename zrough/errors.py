"""Every error the package raises on purpose.

ZroughError
├── JobError       the job file or a value in it
├── PartError      the mesh, its placing, its size
├── StockError     the block, casting or leftover the part is cut from
├── SurfaceError   the cutter location surface
├── PlanError      levels, regions, rings, links
├── CuttingDataError  material, cutter or machine limits
├── NcError        NC text that cannot be read
├── CheckError     a replay that cannot be run (a failed check is a result, not an error)
├── BatchError     a list of jobs that cannot be started
└── Cancelled      the caller's progress callback asked to stop

A message gives place, number, limit and remedy, on one line.
"""

from __future__ import annotations


class ZroughError(Exception):
    """Base of all errors raised on purpose; its text is one line fit for a terminal."""


class JobError(ZroughError):
    """The job file, or a value in it, cannot be used."""


class PartError(ZroughError):
    """The part mesh cannot be used."""


class StockError(ZroughError):
    """The stock cannot be used."""


class SurfaceError(ZroughError):
    """The cutter location surface cannot be computed."""


class PlanError(ZroughError):
    """No program can be planned for this job."""


class CuttingDataError(ZroughError):
    """Cutting data cannot be found for this material, cutter or machine."""


class NcError(ZroughError):
    """NC text that cannot be read; the message names the line."""


class CheckError(ZroughError):
    """The replay cannot be run."""


class BatchError(ZroughError):
    """A batch cannot be started."""


class Cancelled(ZroughError):
    """The caller's progress callback asked to stop."""
