"""A page without a browser, and a recording that is analysed."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard import bundle
from dashboard.app import create_app
from dashboard.settings import Settings
from dashboard.store import Store
from dashboard.worker import run_job

SAMPLES = Path(__file__).parents[2] / "sample_logs"


@pytest.fixture
def page(tmp_path) -> Iterator:
    root = tmp_path / "cases"
    root.mkdir()
    app, jobs = create_app(Settings(root=root, shelf=SAMPLES, upload_bytes=3 * 2**20))
    yield app
    jobs.close()


@pytest.fixture(scope="session")
def analysed(tmp_path_factory):
    """Store and case of the sample whose front left rollers drag."""
    root = tmp_path_factory.mktemp("analysed")
    store = Store(root)
    drive = (SAMPLES / "book_cart_before" / "drive.csv").read_bytes()
    robot = (SAMPLES / "book_cart.toml").read_bytes()
    case = store.bring_in([("drive.csv", drive), ("book_cart.toml", robot)])
    before = Path.cwd()
    import os

    try:
        for what in ("inspect", "analyze"):
            run_job(case.job(what), lambda _text, _share: None)
    finally:
        os.chdir(before)
    assert (case.analysis_folder / bundle.INDEX).is_file()
    return store, case
