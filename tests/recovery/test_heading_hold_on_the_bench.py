"""Expected heading errors against the rigid-body bench, for two of the cases of `tests.bench.hold`.

The whole table is printed by `python -m tests.bench.hold`; its last run stands in DEVELOPERS.md.
"""

import pytest

from tests.bench.drive import HeadingLoop, turn_excitation_script
from tests.bench.hold import CASES, held, sways, try_case, within

CHOSEN = ("square_power_aft_10ms_100Hz", "small_soft_stiff_60ms_50Hz")


@pytest.mark.parametrize("name", CHOSEN)
def test_expected_heading_error_is_what_the_bench_shows(name):
    case = next(c for c in CASES if c.name == name)
    tried = try_case(case)
    summary, seen = tried["hold"].replay.summary, tried["seen"]
    for way in ("with_hold", "with_feedforward"):
        for what in ("end", "peak", "rms"):
            assert within(summary[way][what].value, seen[way][what]), (way, what)
    assert not sways(seen)
    if case.mode == "power":
        assert seen["without"]["end"] > 2 * 1.5  # more than 2 degrees a metre
        assert seen["with_feedforward"]["end"] < 0.1 * seen["without"]["end"]


def test_gains_beyond_the_gain_margin_do_sway():
    # The check for swaying must be able to fail: gain above its margin on the same base.
    case = next(c for c in CASES if c.name == CHOSEN[0])
    script = turn_excitation_script()
    quiet = held(case, None, script, 1)
    loop = HeadingLoop(kp=75.0, loop_hz=case.loop_hz, delay=case.delay, fresh=True)
    loud = held(case, loop, script, 2)
    assert sways({"without": quiet, "with_hold": loud, "with_feedforward": loud})
