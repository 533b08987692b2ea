"""Hostile uploads: each gets an error box, the server lives, memory returns.

A dozen here; all of them with CRABWISE_HOSTILE=200.
"""

import base64
import gc
import json
import os
import time
from pathlib import Path

from dashboard import ids
from tests.dashboard.conftest import SAMPLES
from tests.dashboard.hostile import hostile_files

COUNT = int(os.environ.get("CRABWISE_HOSTILE", "12"))
HEADERS = {"Host": "localhost"}


def resident() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 2**20


class Visitor:
    """Asks as the browser does."""

    def __init__(self, page) -> None:
        self.client = page.server.test_client()
        self.specs = page.callback_map

    def call(self, trigger: str, values: dict[str, object]):
        key, spec = next(
            (k, s)
            for k, s in self.specs.items()
            if any(f"{i['id']}.{i['property']}" == trigger for i in s["inputs"])
        )

        def held(parts):
            return [{**p, "value": values.get(f"{p['id']}.{p['property']}")} for p in parts]

        outputs = [
            {"id": o.rsplit(".", 1)[0], "property": o.rsplit(".", 1)[1]}
            for o in key.strip(".").split("...")
        ]
        body = {
            "output": key,
            "outputs": outputs,
            "inputs": held(spec["inputs"]),
            "state": held(spec["state"]),
            "changedPropIds": [trigger],
        }
        answer = self.client.post("/_dash-update-component", json=body, headers=HEADERS)
        assert answer.status_code in {200, 204}, answer.get_data(as_text=True)[:500]
        return (
            json.loads(answer.get_data(as_text=True))["response"]
            if answer.status_code == 200
            else {}
        )

    def upload(self, *files: tuple[str, bytes]) -> str:
        """Upload, wait, and give the page that is then shown."""
        values = {
            f"{ids.RECORDING_UPLOAD}.contents": [
                "data:;base64," + base64.b64encode(c).decode() for _, c in files
            ],
            f"{ids.RECORDING_UPLOAD}.filename": [n for n, _ in files],
        }
        answer = self.call(f"{ids.RECORDING_UPLOAD}.contents", values)
        address = {f"{ids.URL}.pathname": "/", f"{ids.REFRESH}.data": 0}
        told = json.dumps(answer)
        if "case=" not in told:
            return told
        address[f"{ids.URL}.search"] = told[told.index("?case=") :].split('"')[0]
        for _ in range(2400):
            shown = json.dumps(self.call(f"{ids.URL}.search", address))
            if ids.RECORDING_CLOCK not in shown:
                return shown
            time.sleep(0.05)
        raise AssertionError("the work never ended")


def test_hostile_files_get_an_error_box(page):
    visitor = Visitor(page)
    good = [
        (p.name, p.read_bytes())
        for p in (SAMPLES / "book_cart_before" / "drive.csv", SAMPLES / "book_cart.toml")
    ]
    assert ids.RECORDING_ANALYZE in visitor.upload(*good)
    robot = good[1]
    gc.collect()
    before = resident()
    quiet = []
    for name, content in hostile_files(COUNT):
        shown = visitor.upload((name, content), robot)
        if '"role": "alert"' not in shown:
            quiet.append(name)
    gc.collect()
    grown = resident() - before
    assert ids.RECORDING_ANALYZE in visitor.upload(*good)  # the server lives
    assert quiet == []
    assert grown < 60, f"{grown:.0f} MB stayed"
