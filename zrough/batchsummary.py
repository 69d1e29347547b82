"""The batch's records once more, for people: a CSV table and an HTML page."""

from __future__ import annotations

import csv
import html
import io
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from zrough.io import write_atomic

if TYPE_CHECKING:
    from zrough.batch import Record

_COLUMNS = ("name", "status", "message", "seconds", "peak_mb", "attempts", "job")

_STYLE = """
body { font: 15px/1.4 system-ui, sans-serif;
       margin: 2rem auto; max-width: 76rem; padding: 0 1rem; color: #1d2529; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; padding: .3rem .6rem; border-bottom: 1px solid #d5dcdf; vertical-align: top; }
td.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
tr.bad td:nth-child(2) { color: #a11d1d; font-weight: 600; }
.wide { overflow-x: auto; }
"""


def write(out: Path, records: Sequence[Record], total: int) -> None:
    """Write ``summary.csv`` and ``summary.html`` into ``out``; ``total`` is the number of jobs asked for."""
    keys = _number_columns(records)
    write_atomic(out / "summary.csv", _csv(records, keys))
    write_atomic(out / "summary.html", _page(out, records, keys, total))


def _number_columns(records: Sequence[Record]) -> list[str]:
    """Names of the reported numbers, in the order they first appear."""
    return list(dict.fromkeys(key for record in records for key in record.numbers))


def _csv(records: Sequence[Record], keys: list[str]) -> str:
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")  # RFC 4180
    table.writerow([*_COLUMNS, *keys])
    for r in records:
        row = [getattr(r, c) for c in _COLUMNS] + [r.numbers.get(k, "") for k in keys]
        table.writerow([_harmless(v) for v in row])
    return text.getvalue()


def _harmless(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets a quote in front."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") else value


def _page(out: Path, records: Sequence[Record], keys: list[str], total: int) -> str:
    counts = Counter(r.status for r in records)
    said = ", ".join(f"{n} {status}" for status, n in counts.most_common()) or "nothing yet"
    missing = total - len(records)
    said += f", {missing} not started" if missing else ""
    head = "".join(
        f"<th>{html.escape(h)}</th>" for h in ("job", "status", "time s", "memory MB", *keys, "message")
    )
    rows = "\n".join(_row(out, r, keys) for r in records)
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Batch: {total} jobs</title>'
        f'<meta name="viewport" content="width=device-width"><style>{_STYLE}</style></head>\n'
        f"<body><h1>Batch: {total} jobs</h1><p>{html.escape(said)}.</p>\n"
        f'<div class="wide"><table><thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody></table></div>\n'
        "</body></html>\n"
    )


def _row(out: Path, r: Record, keys: list[str]) -> str:
    name = html.escape(r.name)
    if (out / r.name / "report.html").is_file():
        name = f'<a href="{html.escape(r.name, quote=True)}/report.html">{name}</a>'
    numbers = "".join(f'<td class="n">{html.escape(_shown(r.numbers.get(k, "")))}</td>' for k in keys)
    status = html.escape(r.status + (" (skipped)" if r.skipped else ""))
    kind = "" if r.ok else ' class="bad"'
    return (
        f'<tr{kind}><td>{name}</td><td>{status}</td><td class="n">{r.seconds:.1f}</td>'
        f'<td class="n">{r.peak_mb:.0f}</td>{numbers}<td>{html.escape(r.message)}</td></tr>'
    )


def _shown(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)
