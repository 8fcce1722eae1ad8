"""What is read is bounded, whatever the file is: too large, without end, full of holes, or no file at all."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from coilbell.bench.files.bounded import bounded
from coilbell.errors import FileError
from fuzz import said

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pipes, devices and limits of POSIX")

READERS = {
    "fit": ("fit", "{}"),
    "listen": ("listen", "{}"),
    "reference import": ("reference", "import", "{}", "--store", "{folder}/store"),
    "judge by a file": ("judge", "{}", "--kind", "power inductor", "--capacitor", "22n"),
    "archive": ("log", "import", "{}", "--log", "{folder}/log.sqlite"),
    "worksheet": ("isolate", "show", "--item", "a", "--sheet", "{}"),
    "kind of equipment": ("isolate", "kinds", "{}"),
    "kind of winding": ("reference", "kinds", "{}"),
}
"""Commands that read a file that somebody handed over."""

_IN_LITTLE_MEMORY = """
import resource, sys
from coilbell.cli import main
import coilbell.decay, coilbell.winding, coilbell.bench.log.takeover, scipy.optimize, soundfile, joblib
used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + 400_000_000,) * 2)
sys.exit(main(sys.argv[1:]))
"""


def _words(name: str, place: Path, folder: Path) -> list[str]:
    return [word.format(place, folder=folder) for word in READERS[name]]


@pytest.mark.parametrize("name", READERS)
def test_a_file_of_many_gigabytes_is_one_line_in_little_memory(tmp_path: Path, name: str) -> None:
    """Sparse, so that it takes no room; 400 MB beside what the program has taken are enough."""
    if not sys.platform.startswith("linux"):
        pytest.skip("asks Linux for what it has taken")
    place = tmp_path / "huge.toml"
    with place.open("wb") as stream:
        stream.truncate(8_000_000_000)
    command = [sys.executable, "-c", _IN_LITTLE_MEMORY, *_words(name, place, tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr


@pytest.mark.parametrize("name", READERS)
def test_a_device_without_end_is_not_read(tmp_path: Path, name: str) -> None:
    place = tmp_path / "zero.toml"
    place.symlink_to("/dev/zero")
    code, told = said(*_words(name, place, tmp_path))
    assert code == 2, told
    assert told.count("\n") == 1, told


def test_a_pipe_without_end_is_read_as_far_as_the_limit(tmp_path: Path) -> None:
    place = tmp_path / "pipe"
    os.mkfifo(place)

    def pour() -> None:
        with place.open("wb", buffering=0) as stream:
            try:
                while True:
                    stream.write(b"x" * 65_536)
            except BrokenPipeError:
                return

    thread = threading.Thread(target=pour, daemon=True)
    thread.start()
    with pytest.raises(FileError, match=r"larger than any reference, 1 MB"):
        bounded(place, 1_000_000, "reference")
    thread.join(10)
    assert not thread.is_alive()


def test_a_pipe_that_ends_is_read(tmp_path: Path) -> None:
    place = tmp_path / "pipe"
    os.mkfifo(place)
    threading.Thread(target=lambda: place.write_bytes(b"text"), daemon=True).start()
    assert bounded(place, 100, "reference") == b"text"


@pytest.mark.parametrize(
    "cell", ["1e" + "9" * 4400, "9" * 5000, "1e-" + "9" * 50, "0" * 10_000 + "1", "1" + "_1" * 3000]
)
def test_figures_of_thousands_of_digits_are_read_or_refused(tmp_path: Path, cell: str) -> None:
    place = tmp_path / "digits.csv"
    rows = [f"{k * 2e-6:.7g},{cell if k == 7 else 0.01 * k}" for k in range(40)]
    place.write_text("time (s),CH 1 (V)\n" + "\n".join(rows) + "\n", encoding="utf-8")
    code, told = said("fit", str(place))
    assert code in (0, 2), told
    assert "Traceback" not in told


def test_sounds_of_very_many_channels_are_refused(tmp_path: Path) -> None:
    """1024 channels of 16,000 samples: the header says so, and nothing of them is read."""
    import numpy as np
    import soundfile

    place = tmp_path / "many.wav"
    soundfile.write(place, np.zeros((16_000, 1024), dtype=np.int16), 48_000, subtype="PCM_16")
    code, told = said("fit", str(place))
    assert code == 2
    assert "together at most" in told
