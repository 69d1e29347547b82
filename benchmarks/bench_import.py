"""How long a user waits before anything happens: import, help, first error; best of several fresh processes.

python benchmarks/bench_import.py
"""

import os
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
CASES = {
    "bare interpreter": ["-c", "pass"],
    "import zrough": ["-c", "import zrough"],
    "import zrough, Job": ["-c", "import zrough; zrough.Job"],
    "import zrough, plan": ["-c", "import zrough; zrough.plan"],
    "zrough --help": ["-m", "zrough", "--help"],
    "zrough schema": ["-m", "zrough", "schema"],
    "zrough plan of a missing file": ["-m", "zrough", "plan", "none.toml", "--out", "none"],
}


def best(arguments: list[str], rounds: int = 5) -> float:
    """Shortest of several runs, s."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run([sys.executable, *arguments], env=environment, capture_output=True, check=False)
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    bare = best(CASES["bare interpreter"])
    print(f"{'':<32}{'s':>8}{'above bare':>12}")
    for name, arguments in CASES.items():
        seconds = best(arguments)
        print(f"{name:<32}{seconds:>8.3f}{seconds - bare:>12.3f}")


if __name__ == "__main__":
    main()
