"""What was done before a ring, which winding and how warm: kept by record files and the log, hashes of old
records unchanged."""

from __future__ import annotations

import numpy as np
import pytest

from coilbell.bench.files import recordjson
from coilbell.bench.log.samples import digest, packed, unpacked
from coilbell.errors import FileError, RecordError
from coilbell.record import Record, Temperature
from coilbell.terms import RECORDED, Step, steps_named

_PLAIN = Record(np.array([3, 1, 2]), 1e6)
_STAGED = Record(
    np.array([3, 1, 2]),
    1e6,
    done=(Step.YOKE_OFF, Step.CLEANED),
    across="3-5",
    temperature=Temperature(21.5, 0.5, "board 7"),
)


def test_a_record_file_keeps_the_stage():
    (back,) = recordjson.decode(recordjson.encode([_STAGED]))
    assert (back.done, back.across, back.temperature) == (
        _STAGED.done,
        _STAGED.across,
        _STAGED.temperature,
    )


def test_the_log_keeps_the_stage():
    back = unpacked(packed(_STAGED))
    assert back.done == _STAGED.done
    assert back.across == "3-5"
    assert back.temperature == _STAGED.temperature
    assert digest(back) == digest(_STAGED)


def test_a_record_without_a_stage_hashes_as_before():
    # Taken from the version before the fields were added.
    assert digest(_PLAIN) == "a8e99c6678ad4eb1b0a855daa11ed5337ccff62888f850dfa34358987f05208e"


def test_an_unknown_step_in_a_file_is_named():
    content = recordjson.encode([_STAGED]).replace(b"yoke-off", b"yoke-gone")
    with pytest.raises(FileError, match="step 'yoke-gone'; choose one of: yoke-off"):
        recordjson.decode(content)


@pytest.mark.parametrize(
    ("field", "value"),
    [("done", (Step.RING_AGAIN,)), ("done", (Step.CLEANED, Step.CLEANED)), ("across", "3\n5")],
)
def test_what_cannot_be_a_stage_is_refused(field, value):
    with pytest.raises(RecordError, match=field):
        Record(np.array([3, 1, 2]), 1e6, **{field: value})


def test_a_temperature_of_no_bench_is_refused():
    with pytest.raises(RecordError, match="give -60 to 200"):
        Temperature(1e3)


def test_steps_are_read_from_a_list_in_their_own_order():
    assert steps_named("cleaned, yoke-off,cleaned") == (Step.YOKE_OFF, Step.CLEANED)
    assert steps_named("") == ()
    assert steps_named(",".join(RECORDED)) == RECORDED
    with pytest.raises(ValueError, match="swept"):
        steps_named("cleaned,swept")
