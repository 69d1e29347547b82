"""Where numba keeps compiled kernels when it cannot keep them beside the package.

Numba stores them in ``__pycache__`` beside the source or, failing that, in the user's cache folder.
Where neither can be written (a read-only image, a service account without a home) it refuses to load
the kernels at all; then a private folder among the temporary files takes their place.
"""

from __future__ import annotations

import os
from pathlib import Path


def ensure(package: Path) -> None:
    """Set NUMBA_CACHE_DIR if numba would find no place by itself; otherwise change nothing."""
    if os.environ.get("NUMBA_CACHE_DIR"):
        return
    if _writable(package / "kernels" / "__pycache__") or _writable(_user_cache()):
        return
    os.environ["NUMBA_CACHE_DIR"] = str(_temporary())


def _user_cache() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    return Path(base) / "numba"


def _writable(folder: Path) -> bool:
    """Whether ``folder`` is there and writable, or could be made."""
    while not folder.exists():
        if folder.parent == folder:
            return False
        folder = folder.parent
    return folder.is_dir() and os.access(folder, os.W_OK | os.X_OK)


def _temporary() -> Path:
    import tempfile

    user = os.getuid() if hasattr(os, "getuid") else 0
    shared = Path(tempfile.gettempdir()) / f"zrough-kernels-{user}"
    try:
        shared.mkdir(mode=0o700, exist_ok=True)
        found = shared.lstat()
        # The folder holds code: use it only if nobody else could have put something there.
        if shared.is_dir() and not shared.is_symlink() and found.st_uid == user and not found.st_mode & 0o022:
            return shared
    except OSError:
        pass
    return Path(tempfile.mkdtemp(prefix="zrough-kernels-"))
