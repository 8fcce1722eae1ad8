"""`coilbell fit` on decays other people measured, against fits made independently of this project.

The records and the expected figures with their sources stand in the folder of measured decays beside the
project; they are not ours to ship, so this is skipped where the folder is missing.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from coilbell.cli import main
from outside import REAL, real_records


def expected() -> list[dict[str, Any]]:
    path = REAL / "expected.json"
    return json.loads(path.read_text(encoding="utf-8"))["records"] if path.is_file() else []


def fitted(case: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    words = ["fit", "--json", str(real_records() / case["set"] / case["file"])]
    words += [f"--from={case['t0']}"] if "t0" in case else []
    words += [f"--to={case['t1']}"] if "t1" in case else []
    words += ["--channel", case["chan"]] if "chan" in case else []
    assert main(words) == 0
    return dict(json.loads(capsys.readouterr().out))


@pytest.mark.parametrize("case", expected() or [{}], ids=lambda case: case.get("file", "none"))
def test_agrees_with_independent_fits(case: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    real_records()
    facts = fitted(case, capsys)
    if "expect" in case:
        assert not facts["rings"], case["expect"]
        return
    mode = facts["modes"][0]
    assert mode["frequency_hz"]["value"] == pytest.approx(case["fd_Hz"], rel=case["tol_f"])
    assert mode["q"]["value"] == pytest.approx(case["Q"], rel=case["tol_Q"])


def test_every_measured_table_reads() -> None:
    from coilbell.bench.files.records import read

    paths = [path for kind in ("*/*.txt", "*/csv/*.csv") for path in real_records().glob(kind)]
    assert len(paths) > 20
    for path in paths:
        for record in read(path, channel="all"):
            assert record.resolution is not None, path
            assert record.uniform == (path.suffix == ".csv"), path


def test_a_block_in_the_coil_raises_the_pitch_and_halves_q(capsys: pytest.CaptureFixture[str]) -> None:
    """The same coil and capacitor with air and with a conducting block inside: f +20 %, Q halved."""
    base = {"set": "coil_core_2020", "t0": 0.001}
    air = fitted(base | {"file": "harm0.1uF_b5_new.txt"}, capsys)["modes"][0]
    block = fitted(base | {"file": "harm0.1uF_b5_all.txt"}, capsys)["modes"][0]
    assert block["frequency_hz"]["value"] / air["frequency_hz"]["value"] == pytest.approx(1.195, abs=0.01)
    assert block["q"]["value"] / air["q"]["value"] == pytest.approx(0.53, abs=0.03)
