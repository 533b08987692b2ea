"""Work in the background: progress, outcome, cancel, death of a worker."""

import time

import pytest

from dashboard.jobs import Jobs
from dashboard.store import Store
from tests.dashboard.conftest import SAMPLES


@pytest.fixture
def jobs():
    held = Jobs(workers=1)
    yield held
    held.close()


@pytest.fixture
def case(tmp_path):
    (tmp_path / "root").mkdir()
    store = Store(tmp_path / "root")
    files = [
        (p.name, p.read_bytes())
        for p in (SAMPLES / "book_cart_before" / "drive.csv", SAMPLES / "book_cart.toml")
    ]
    return store.bring_in(files)


def finished(jobs, key, seconds=60):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        state = jobs.state(key)
        if state is not None and not state.busy:
            return state
        time.sleep(0.02)
    raise AssertionError(jobs.state(key))


def test_a_job_runs_to_its_end(jobs, case):
    jobs.submit(case.key, case.job("analyze"))
    assert finished(jobs, case.key).status == "done"
    assert case.analysis_folder.is_dir()


def test_a_fault_of_the_file_is_told(jobs, case):
    (case.work / "drive.csv").write_bytes(b"nothing\nhere\n")
    jobs.submit(case.key, case.job("analyze"))
    state = finished(jobs, case.key)
    assert state.status == "failed"
    assert "drive.csv" in state.error
    assert str(case.folder) not in state.error  # where it lies is nobody's business


def test_a_cancelled_job_stops_and_the_next_one_runs(jobs, case):
    jobs.submit(case.key, case.job("analyze"))
    jobs.cancel(case.key)
    assert jobs.state(case.key).status == "cancelled"
    jobs.submit(case.key, case.job("inspect"))
    assert finished(jobs, case.key).status == "done"


def test_a_worker_that_dies_is_replaced(jobs, case):
    jobs.submit("dies", {**case.job("inspect"), "folder": "/nowhere"})
    state = finished(jobs, "dies")
    assert state.status == "failed"
    assert "broke off" in state.error
    jobs.submit(case.key, case.job("inspect"))
    assert finished(jobs, case.key).status == "done"


def test_memory_is_limited(case, tmp_path):
    held = Jobs(workers=1, memory=80 * 2**20)
    held.submit(case.key, case.job("analyze"))
    state = finished(held, case.key)
    held.close()
    assert state.status == "failed"
