"""Check that modules stay small enough to be read in one sitting.

Usage: ``python tools/module_sizes.py src``; exits 1 if a module is longer than the limit.
"""

from __future__ import annotations

import sys
from pathlib import Path

LARGEST_LINES = 420


def main(folders: list[str]) -> int:
    """Check every Python file below the folders."""
    files = sorted(path for folder in folders for path in Path(folder).rglob("*.py"))
    sizes = {path: len(path.read_text("utf-8").splitlines()) for path in files}
    long = {path: lines for path, lines in sizes.items() if lines > LARGEST_LINES}
    for path, lines in long.items():
        print(f"{path}: {lines} lines, at most {LARGEST_LINES}; split it by topic")
    if not long:
        print(f"module sizes: {len(files)} files, the longest {max(sizes.values())} lines")
    return 1 if long else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:] or ["src"]))
