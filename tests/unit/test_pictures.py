"""The picture of a decay: what it holds, that it is legible without colour, that it stays lazy."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from coilbell import decay
from coilbell.bench.pictures import decay as pictures
from coilbell.decay import Doubt, DoubtKind, Fit
from coilbell.errors import FileError, InputError
from coilbell.record import Record
from handmade import handmade_fit, handmade_mode, handmade_record, handmade_silence


def drawn(fit: Fit, record: Record | None = None, **options: str) -> Figure:
    figure = pictures.decay_picture(fit, record or handmade_record(), **options)  # type: ignore[arg-type]
    figure.canvas.draw()
    return figure


def test_samples_fit_envelope_and_residual_are_where_they_belong() -> None:
    fit, record = handmade_fit(), handmade_record()
    upper, lower = drawn(fit, record).axes
    lines = {str(line.get_label()): line for line in upper.lines}
    assert np.allclose(lines["samples"].get_ydata(), record.samples)
    assert np.allclose(lines["fit"].get_ydata(), fit.curve[0][:, 1])
    assert np.allclose(lines["envelope"].get_ydata(), 0.1 + fit.envelope[0])
    assert any(
        np.allclose(line.get_ydata(), fit.residuals[0]) for line in lower.lines if len(line.get_ydata()) > 2
    )


def test_lines_differ_without_colour() -> None:
    upper, _ = drawn(handmade_fit()).axes
    strokes = {
        (line.get_linestyle(), line.get_marker()) for line in upper.lines if line.get_label()[0] != "_"
    }
    assert len(strokes) == 3
    greys = [np.dot(to_rgb(colour), (0.299, 0.587, 0.114)) for colour in (pictures.BLUE, pictures.ORANGE)]
    assert abs(greys[0] - greys[1]) > 0.15


def test_axes_are_in_engineering_units() -> None:
    upper, lower = drawn(handmade_fit()).axes
    assert any(text.get_text().endswith("mV") for text in upper.get_yticklabels())
    assert any(text.get_text().endswith("\u00b5s") for text in lower.get_xticklabels())


def test_counts_are_not_called_volts() -> None:
    record = replace(handmade_record(), volts_per_count=None)
    upper, _ = drawn(handmade_fit(unit="counts"), record).axes
    assert upper.get_ylabel() == "counts"
    assert not any("V" in text.get_text() for text in upper.get_yticklabels())


def test_caption_has_figures_with_uncertainty_and_doubts() -> None:
    doubt = Doubt(DoubtKind.CLIPPED, "3 samples", 3, 1)
    text = pictures.decay_caption(handmade_fit(doubts=(doubt, doubt)))
    assert text == "f = 21.634(11) kHz,  Q = 30.124(90),  22.076(66) rings to 1/10\ndoubts: clipped"
    assert "2 modes" in pictures.decay_caption(handmade_fit(handmade_mode(), handmade_mode(5e4, 9.0, 0.1)))
    assert pictures.decay_caption(handmade_silence()).startswith("no ring found")


def test_masked_samples_are_marked() -> None:
    residual = handmade_fit().residuals[0].copy()
    residual[[40, 41]] = np.nan
    upper, _ = drawn(handmade_fit(residuals=(residual,))).axes
    (marked,) = [line for line in upper.lines if line.get_label() == "left out"]
    assert marked.get_xdata().tolist() == handmade_record().time_axis[[40, 41]].tolist()


def test_time_is_the_files_own() -> None:
    record = handmade_record(first_s=-0.001)
    upper, _ = drawn(decay.fit(record, start_s=-0.001), record).axes
    assert upper.lines[0].get_xdata()[0] == pytest.approx(-1e-3)


@pytest.mark.parametrize("fit", [handmade_fit(), handmade_silence()])
@pytest.mark.parametrize(
    ("ending", "mark"), [("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml"), ("PNG", b"\x89PNG")]
)
def test_saves_in_every_kind(tmp_path: Path, fit: Fit, ending: str, mark: bytes) -> None:
    path = tmp_path / f"ring.{ending}"
    pictures.save(drawn(fit, title="ring & <more> $x_2$ "), path)
    assert path.read_bytes().startswith(mark)


def test_what_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"use one of: \.png, \.pdf, \.svg"):
        pictures.check_path("ring.jpeg")
    with pytest.raises(FileError, match="cannot be written"):
        pictures.save(drawn(handmade_fit()), tmp_path / "none" / "ring.png")


def test_nothing_global_and_nothing_heavy_is_loaded() -> None:
    """No pyplot after a drawing; no matplotlib or pandas for the estimator or the reading of files."""
    code = (
        "import sys, coilbell.decay, coilbell.bench.files.records, coilbell.bench.words.fit\n"
        "import coilbell.bench.pictures.decay\n"
        "heavy = {'matplotlib', 'pandas', 'tqdm', 'soundfile', 'lmfit'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
        "sys.path.insert(0, 'tests')\n"
        "from handmade import handmade_fit, handmade_record\n"
        "coilbell.bench.pictures.decay.decay_picture(handmade_fit(), handmade_record())\n"
        "assert 'matplotlib' in sys.modules and 'matplotlib.pyplot' not in sys.modules\n"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
