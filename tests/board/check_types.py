"""Types of the firmware, once for each chip: `python tests/board/check_types.py`.

MicroPython's own stubs for both boards are installed by pip into a cache, then basedpyright looks at
every file in firmware/ against each. Prints a line a chip; exit code 0 clean, 1 errors, 3 no tools.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import platformdirs

VERSION = "1.29.0.post1"
STUBS = {
    "RP2040": f"micropython-rp2-rpi-pico-stubs=={VERSION}",
    "RP2350": f"micropython-rp2-rpi-pico2-stubs=={VERSION}",
}
ROOT = Path(__file__).resolve().parents[2]
BOARD_COPIES = [ROOT / "host" / "coilbell" / "board" / "frame.py"]
"""Host files that run on the board as well."""


def cache() -> Path:
    """Folder the stubs are kept in between runs."""
    return Path(platformdirs.user_cache_dir("coilbell")) / "board-stubs"


def installed(package: str) -> Path:
    """Folder with the stubs; raises subprocess.CalledProcessError when pip cannot fetch them."""
    folder = cache() / package.replace("==", "-")
    if not (folder / "rp2" / "__init__.pyi").is_file():
        pip = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        subprocess.run([*pip, "--target", str(folder), package], check=True)
    return folder


def findings(stubs: Path, files: list[Path]) -> list[str]:
    """What basedpyright finds, a line each."""
    with tempfile.TemporaryDirectory() as folder:
        settings = {
            "include": [str(file) for file in files],
            "stubPath": str(stubs),
            "typeshedPath": str(stubs),
            "extraPaths": [str(ROOT / "firmware")] + [str(file.parent) for file in BOARD_COPIES],
            "pythonVersion": "3.11",
            "typeCheckingMode": "standard",
        }
        project = Path(folder) / "pyrightconfig.json"
        project.write_text(json.dumps(settings), encoding="utf-8")
        run = subprocess.run(
            [sys.executable, "-m", "basedpyright", "--outputjson", "--project", str(project)],
            capture_output=True,
            text=True,
            check=False,
        )
    if not run.stdout:
        raise OSError(run.stderr)
    report = json.loads(run.stdout)
    if report["summary"]["filesAnalyzed"] < len(files):
        return [f"only {report['summary']['filesAnalyzed']} of {len(files)} files were looked at"]
    return [_line(found) for found in report["generalDiagnostics"] if found["severity"] == "error"]


def _line(found: dict) -> str:
    place = f"{os.path.relpath(found['file'], ROOT)}:{found['range']['start']['line'] + 1}"
    return f"{place}: {found['message'].splitlines()[0]} ({found.get('rule', 'syntax')})"


def main() -> int:
    """Check all files for both chips."""
    files = sorted((ROOT / "firmware").glob("*.py")) + BOARD_COPIES
    wrong = 0
    for chip, package in STUBS.items():
        try:
            found = findings(installed(package), files)
        except (OSError, subprocess.CalledProcessError) as error:
            print(f"{chip}: could not be checked: {error}", file=sys.stderr)
            return 3
        print(f"{chip}: {len(files)} files, {len(found)} errors")
        for line in found:
            print(f"  {line}")
        wrong += len(found)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
