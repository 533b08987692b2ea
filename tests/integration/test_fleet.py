"""The fleet against real Dask schedulers and workers, as processes of their own on loopback."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pyarrow as pa
import pytest

from analyzer import __version__
from analyzer import fleet as fleets
from analyzer.fleet import ROW_SCHEMA, read_fleet, run_fleet
from tests.benchmarks.archive import make_archive

ROBOTS, EACH = 4, 3
QUIET = {"DASK_DISTRIBUTED__LOGGING__DISTRIBUTED": "critical"}


class Cluster:
    """`dask scheduler` and `dask worker` with nannies."""

    def __init__(self, folder: Path, workers: int = 2, env: dict[str, str] | None = None) -> None:
        self.folder = folder
        self.env = os.environ | QUIET | (env or {})
        self.processes: list[subprocess.Popen] = []
        self.port = random.randint(20000, 40000)
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.start_scheduler()
        self.workers = [self.start_worker(k) for k in range(workers)]

    def _run(self, *words: str) -> subprocess.Popen:
        process = subprocess.Popen(
            [sys.executable, "-m", *words],
            env=self.env,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            cwd=Path(__file__).parents[2],
        )
        self.processes.append(process)
        return process

    def start_scheduler(self) -> None:
        self.scheduler = self._run(
            "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(self.port),
            "--no-dashboard", "--no-show",
        )  # fmt: skip

    def start_worker(self, k: int) -> subprocess.Popen:
        return self._run(
            "distributed.cli.dask_worker", self.address, "--nthreads", "1", "--no-dashboard",
            "--host", "127.0.0.1", "--local-directory", str(self.folder / f"worker{k}"),
            "--death-timeout", "60",
        )  # fmt: skip

    def inner(self) -> list[int]:
        """The nannies' children: the processes that do the work."""
        out = []
        for worker in self.workers:
            try:
                children = psutil.Process(worker.pid).children()
                out += [c.pid for c in children if any("spawn_main" in w for w in c.cmdline())]
            except psutil.Error:
                continue
        return out

    def close(self) -> None:
        for process in self.processes:
            process.terminate()
        for process in self.processes:
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@pytest.fixture(scope="session")
def archive(tmp_path_factory):
    return make_archive(tmp_path_factory.mktemp("archive"), ROBOTS, EACH)


@pytest.fixture
def cluster(tmp_path):
    made = Cluster(tmp_path)
    yield made
    made.close()


def fleet(archive, out, *more, check=True, env=None):
    done = subprocess.run(
        [sys.executable, "-m", "analyzer.cli", "fleet", str(archive), "--out", str(out), *map(str, more)],
        capture_output=True, text=True, timeout=240, env=os.environ | (env or {}),
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert not check or done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr, done.stderr
    return done


def rows_of(out) -> pa.Table:
    return read_fleet(str(out), columns=["robot", "date", *ROW_SCHEMA.names])


@pytest.fixture(scope="session")
def undisturbed(archive, tmp_path_factory):
    out = tmp_path_factory.mktemp("fleet")
    folder = tmp_path_factory.mktemp("dask")
    cluster = Cluster(folder)
    try:
        fleet(
            archive / "logs",
            out,
            "--robots",
            archive / "robots.csv",
            "--scheduler",
            cluster.address,
        )
    finally:
        cluster.close()
    return out


def test_one_row_a_recording(undisturbed, archive):
    rows = rows_of(undisturbed).to_pylist()
    assert len(rows) == ROBOTS * EACH + 1
    assert len({r["recording"] for r in rows}) == len(rows)
    assert {r["robot"] for r in rows} == {f"cart {k:02d}" for k in range(ROBOTS)}
    failed = [r for r in rows if r["status"] == "failed"]
    assert [r["recording"] for r in failed] == ["cart 02/2026-03-02_broken.parquet"]
    assert "nothing in it is a channel" in failed[0]["message"]
    assert {r["date"].isoformat() for r in rows} == {"2026-03-02"}
    worn = [r for r in rows if r["robot"] == "cart 00"][-1]
    assert (worn["cause"], worn["cause_wheel"]) == ("roller_drag", "FL")
    # The row holds what the result file says.
    result = json.loads(worn["result"])
    assert result["causes"][0]["probability"] == worn["cause_probability"]
    assert (
        result["yaw_drift_deg_per_m"]["left"]["total"]["value"] == worn["yaw_drift_left_deg_per_m"]
    )


def test_rows_come_home_as_they_stand_in_the_folder(archive, tmp_path, cluster, monkeypatch):
    def run(logs):
        return run_fleet(
            str(logs), str(tmp_path / "out"), robots=archive / "robots.csv", robot=archive / "book_cart.toml",
            scheduler=cluster.address,
        )  # fmt: skip

    read = []
    monkeypatch.setattr(
        fleets, "read_fleet", lambda out, *more: read.append(out) or read_fleet(out, *more)
    )
    end, rows = run(archive / "logs" / "cart 02")
    assert (end.done, end.failed, read) == (EACH + 1, 1, [])
    assert rows.equals(read_fleet(str(tmp_path / "out")))
    # Rows of earlier runs stand in the folder alone.
    end, rows = run(archive / "logs")
    assert (end.done, read) == (ROBOTS * EACH + 1, [str(tmp_path / "out")])
    assert rows.num_rows == ROBOTS * EACH + EACH + 2
    assert rows.equals(read_fleet(str(tmp_path / "out")))


def test_summary_names_the_worn_wheel(undisturbed):
    summary = json.loads((undisturbed / "summary.json").read_text())
    assert summary["schema"] == "crabwise-fleet-summary/1"
    assert summary["counts"]["recordings"] == ROBOTS * EACH + 1
    assert summary["counts"]["failed"] == 1
    assert summary["robots"][0]["robot"] == "cart 00"
    assert [(d["robot"], d["wheel"], d["cause"]) for d in summary["wheels_due"]] == [
        ("cart 00", "FL", "roller_drag")
    ]
    assert sum(c["recordings"] for c in summary["causes"]) == ROBOTS * EACH
    page = (undisturbed / "summary.html").read_text()
    assert "cart 02/2026-03-02_broken.parquet" in page


def test_filters_reach_the_partitions(undisturbed):
    one = read_fleet(str(undisturbed), [("robot", "=", "cart 01")], ["recording", "status"])
    assert one.column_names == ["recording", "status"]
    assert one.num_rows == EACH
    bad = read_fleet(str(undisturbed), [("status", "=", "failed")])
    assert bad.num_rows == 1
    assert "result" not in bad.column_names


def test_running_again_repeats_nothing(undisturbed, archive, cluster):
    before = {p: p.stat().st_mtime_ns for p in undisturbed.glob("rows/*/*/*.parquet")}
    done = fleet(archive / "logs", undisturbed, "--robots", archive / "robots.csv",
                 "--scheduler", cluster.address)  # fmt: skip
    assert f"{ROBOTS * EACH + 1} in earlier runs" in " ".join(done.stdout.split())
    assert before == {p: p.stat().st_mtime_ns for p in undisturbed.glob("rows/*/*/*.parquet")}


def test_workers_killed_and_the_scheduler_restarted(undisturbed, archive, tmp_path, cluster):
    out = tmp_path / "fleet"
    stop = threading.Event()
    killed = []

    def havoc() -> None:
        rows = 0
        while not stop.wait(0.2):
            now = len(list(out.glob("rows/*/*/*.parquet")))
            if now < rows + 2:
                continue  # a slow machine must get on between two kills
            rows = now
            if now >= 4 and "scheduler" not in killed:
                killed.append("scheduler")
                cluster.scheduler.send_signal(signal.SIGKILL)
                cluster.scheduler.wait()
                cluster.start_scheduler()
                for k, worker in enumerate(list(cluster.workers)):
                    worker.terminate()
                    worker.wait()
                    cluster.workers[k] = cluster.start_worker(10 + k)
                continue
            for pid in cluster.inner()[:1]:
                killed.append("worker")
                os.kill(pid, signal.SIGKILL)

    thread = threading.Thread(target=havoc)
    thread.start()
    try:
        fleet(
            archive / "logs",
            out,
            "--robots",
            archive / "robots.csv",
            "--scheduler",
            cluster.address,
        )
    finally:
        stop.set()
        thread.join()
    assert "worker" in killed
    assert "scheduler" in killed
    assert rows_of(out).equals(rows_of(undisturbed))


def test_stopped_run_goes_on(undisturbed, archive, tmp_path, cluster):
    out = tmp_path / "fleet"
    words = [sys.executable, "-m", "analyzer.cli", "fleet", str(archive / "logs"), "--out", str(out),
             "--robots", str(archive / "robots.csv"), "--scheduler", cluster.address]  # fmt: skip
    run = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                           cwd=Path(__file__).parents[2])  # fmt: skip
    until = time.monotonic() + 120
    while len(list(out.glob("rows/*/*/*.parquet"))) < 3 and time.monotonic() < until:
        time.sleep(0.05)
    run.kill()
    run.wait()
    early = {p: p.stat().st_mtime_ns for p in out.glob("rows/*/*/*.parquet")}
    assert 3 <= len(early) < ROBOTS * EACH + 1
    fleet(archive / "logs", out, "--robots", archive / "robots.csv", "--scheduler", cluster.address)
    assert rows_of(out).equals(rows_of(undisturbed))
    now = {p: p.stat().st_mtime_ns for p in out.glob("rows/*/*/*.parquet")}
    assert {p: now[p] for p in early} == early


def test_object_storage(undisturbed, archive, tmp_path, monkeypatch):
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer("127.0.0.1", 0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    env = {
        "AWS_ENDPOINT_URL": f"http://{host}:{port}",
        "AWS_ACCESS_KEY_ID": "test",
        "AWS_SECRET_ACCESS_KEY": "test",
        "AWS_DEFAULT_REGION": "us-east-1",
    }
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    cluster = Cluster(tmp_path, env=env)
    try:
        import s3fs

        store = s3fs.S3FileSystem(skip_instance_cache=True)
        store.mkdir("archive")
        store.mkdir("fleet")
        for name in ("cart 00", "cart 02"):
            store.put(str(archive / "logs" / name), f"archive/logs/{name}", recursive=True)
        fleet("s3://archive/logs", "s3://fleet/out", "--robots", archive / "robots.csv",
              "--scheduler", cluster.address, env=env)  # fmt: skip
        remote = read_fleet("s3://fleet/out").to_pylist()
        local = {r["recording"]: r for r in read_fleet(str(undisturbed)).to_pylist()}
        assert len(remote) == 2 * EACH + 1
        for row in remote:
            twin = local[row["recording"]]
            for name in ("robot", "date", "status", "cause", "yaw_drift_left_deg_per_m", "passes"):
                assert row[name] == twin[name], name
        bad = next(r for r in remote if r["status"] == "failed")
        assert bad["message"].startswith("s3://archive/logs/cart 02/2026-03-02_broken.parquet")
        assert store.exists("fleet/out/summary.html")
    finally:
        cluster.close()
        server.stop()


def test_no_room(archive, tmp_path, cluster):
    """Rows onto a file system of 200 kB: a clear end, and what was written is whole."""
    out = tmp_path / "small"
    out.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(out)],
                             capture_output=True, check=False)  # fmt: skip
    if mounted.returncode:
        pytest.skip("no right to mount a small file system")
    try:
        (out / "filler").write_bytes(b"x" * 100_000)
        done = fleet(archive / "logs", out, "--robots", archive / "robots.csv",
                     "--scheduler", cluster.address, check=False)  # fmt: skip
        assert done.returncode == 1
        assert "No space left on device" in done.stderr
        assert "goes on where it stopped" in done.stderr
        early = rows_of(out)
        assert 0 < early.num_rows < ROBOTS * EACH + 1
        (out / "filler").unlink()
        subprocess.run(["mount", "-o", "remount,size=20m", str(out)], check=True)
        fleet(
            archive / "logs",
            out,
            "--robots",
            archive / "robots.csv",
            "--scheduler",
            cluster.address,
        )
        assert rows_of(out).num_rows == ROBOTS * EACH + 1
    finally:
        subprocess.run(["umount", str(out)], check=True)


def test_many_rows_of_a_day_are_packed(archive, tmp_path, cluster):
    logs = tmp_path / "logs"
    logs.mkdir()
    broken = next((archive / "logs").rglob("*broken*"))
    for k in range(20):
        shutil.copy(broken, logs / f"2026-03-02_{k:02d}.parquet")
    fleet(
        logs,
        tmp_path / "out",
        "--robot",
        archive / "book_cart.toml",
        "--scheduler",
        cluster.address,
    )
    (one,) = (tmp_path / "out").glob("rows/*/*/*.parquet")
    assert one.name.startswith("packed-")
    rows = read_fleet(str(tmp_path / "out")).to_pylist()
    assert [r["recording"] for r in rows] == [f"2026-03-02_{k:02d}.parquet" for k in range(20)]
    again = fleet(logs, tmp_path / "out", "--robot", archive / "book_cart.toml",
                  "--scheduler", cluster.address)  # fmt: skip
    assert "0 recordings analysed now, 20 in earlier runs" in " ".join(again.stdout.split())


def test_changed_robot_file_is_analysed_anew(undisturbed, archive, tmp_path, cluster):
    out = tmp_path / "fleet"
    shutil.copytree(undisturbed, out)
    other = tmp_path / "robot.toml"
    other.write_text(
        (archive / "book_cart.toml").read_text().replace("mass_kg = 15.0", "mass_kg = 15.5")
    )
    fleet(
        archive / "logs" / "cart 01",
        tmp_path / "one",
        "--robot",
        other,
        "--scheduler",
        cluster.address,
    )
    again = fleet(archive / "logs" / "cart 01", tmp_path / "one", "--robot", archive / "book_cart.toml",
                  "--scheduler", cluster.address)  # fmt: skip
    assert f"{EACH} recordings analysed now, 0 in earlier runs" in " ".join(again.stdout.split())
    assert read_fleet(str(tmp_path / "one")).num_rows == EACH


def test_workers_of_this_machine(archive, tmp_path):
    done = fleet(archive / "logs" / "cart 02", tmp_path, "--robot", archive / "book_cart.toml",
                 "--workers", 1)  # fmt: skip
    assert "1 workers" in done.stderr
    rows = read_fleet(str(tmp_path)).to_pylist()
    assert sorted(r["status"] for r in rows) == ["failed", *["ok"] * EACH]
    # The failed one is left alone, unless it is asked for.
    shutil.rmtree(tmp_path / "rows" / "robot=nobody", ignore_errors=True)
    kept = fleet(
        archive / "logs" / "cart 02",
        tmp_path,
        "--robot",
        archive / "book_cart.toml",
        "--workers",
        1,
    )
    assert "0 recordings analysed now" in " ".join(kept.stdout.split())
    again = fleet(archive / "logs" / "cart 02", tmp_path, "--robot", archive / "book_cart.toml",
                  "--workers", 1, "--again")  # fmt: skip
    assert "1 recordings analysed now" in " ".join(again.stdout.split())
    assert read_fleet(str(tmp_path)).num_rows == EACH + 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["{logs}/nowhere", "--robot", "{robot}"], "no log below it"),
        (["{logs}"], "use --robot FILE, --robots TABLE"),
        (["{logs}", "--robots", "{logs}/none.csv"], "cannot read the table of robots"),
        (["{logs}", "--robot", "{robot}", "--scheduler", "tcp://127.0.0.1:9"], "does not answer"),
        (["nothing://x", "--robot", "{robot}"], "cannot be opened"),
    ],
)  # fmt: skip
def test_faults_of_the_user(archive, tmp_path, words, said):
    words = [w.format(logs=archive / "logs", robot=archive / "book_cart.toml") for w in words]
    done = fleet(words[0], tmp_path / "out", *words[1:], check=False)
    assert done.returncode == 1
    assert said in done.stderr


@pytest.mark.parametrize(
    ("kept", "scheduler", "said"),
    [
        (True, False, "has crabwise 0.0.9, this command is"),
        (False, False, "cannot load crabwise: No module named"),
        (False, True, "the scheduler or a worker cannot load crabwise"),
    ],
)
def test_workers_of_another_version(archive, tmp_path, kept, scheduler, said):
    """One message and no rows, where each recording would fail by itself or be analysed otherwise."""
    package = Path(__file__).parents[2] / "analyzer"
    theirs = tmp_path / "theirs" / "analyzer"
    if kept:
        shutil.copytree(package, theirs, ignore=shutil.ignore_patterns("__pycache__"))
    else:
        theirs.mkdir(parents=True)
    text = (package / "__init__.py").read_text()
    changed = text.replace(f'__version__ = "{__version__}"', '__version__ = "0.0.9"')
    assert changed != text
    (theirs / "__init__.py").write_text(changed)
    env = {"PYTHONSAFEPATH": "1", "PYTHONPATH": str(tmp_path / "theirs")}
    cluster = Cluster(tmp_path, 0, env=env if scheduler else None)
    cluster.env = os.environ | QUIET | ({} if scheduler else env)
    cluster.workers = [cluster.start_worker(0)]
    try:
        done = fleet(archive / "logs" / "cart 02", tmp_path / "out", "--robot",
                     archive / "book_cart.toml", "--scheduler", cluster.address,
                     check=False)  # fmt: skip
    finally:
        cluster.close()
    assert done.returncode == 1
    assert said in " ".join(done.stderr.split())
    assert not list((tmp_path / "out").glob("rows/*/*/*"))


def test_table_of_robots_names_every_fault(archive, tmp_path):
    table = tmp_path / "robots.csv"
    table.write_text("glob,robot_file\n" + "*" * 200_000 + ",gone.toml\n")
    done = fleet(archive / "logs", tmp_path / "out", "--robots", table, check=False)
    assert done.returncode == 1
    assert "cannot read the table of robots: field larger" in done.stderr
    table.write_text("glob,robot_file\ncart 00/*,gone.toml\ncart 01/*,\n")
    done = fleet(archive / "logs", tmp_path / "out", "--robots", table, check=False)
    assert done.returncode == 1
    assert "gone.toml" in done.stderr
    assert "row 3" in done.stderr
    table.write_text(f"glob,robot_file\ncart 00/*,{archive / 'book_cart.toml'}\n")
    done = fleet(archive / "logs", tmp_path / "out", "--robots", table, check=False)
    assert "no robot file for" in done.stderr


def test_workers_of_this_machine_have_the_settings_that_the_readme_advises():
    import dask
    import distributed

    from tests.benchmarks.fleet import ADVISED

    advised = dask.config.collect_env(ADVISED)
    names = [n for n in fleets.SETTINGS if dask.config.get(n, None, config=advised) is not None]
    assert len(names) == len(ADVISED) == 4
    with socket.socket() as taken:  # as by another fleet on this machine
        with contextlib.suppress(OSError):
            taken.bind(("", 8787))
            taken.listen()
        cluster = fleets._embedded(1)
    try:
        with distributed.Client(cluster, set_as_default=False) as client:
            for name in names:
                [own] = client.run(dask.config.get, name).values()
                assert own == fleets.SETTINGS[name] == dask.config.get(name, config=advised)
            own = psutil.Process()
            family = [own, *own.children(recursive=True)]
            heard = {
                c.laddr.ip for p in family for c in p.net_connections() if c.status == "LISTEN"
            }
            assert heard == {"127.0.0.1"}  # nobody else's business
    finally:
        cluster.close()
