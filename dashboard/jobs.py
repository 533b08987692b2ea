"""Background work: a few worker processes, progress, cancel."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

Status = Literal["waiting", "running", "done", "failed", "cancelled"]
KEEP_BELOW = 700 * 2**20
"""A worker that grew beyond this is replaced, so that its memory returns. [byte]"""
KEPT_STATES = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """State of the work for one recording.

    Attributes
    ----------
    what : str
        "inspect" or "analyze".
    status : str
        "waiting", "running", "done", "failed" or "cancelled".
    step : str
        What it is doing.
    share : float
        Share done, 0 to 1.
    error : str
        What went wrong; "" where nothing did.
    """

    what: str
    status: Status
    step: str = ""
    share: float = 0.0
    error: str = ""

    @property
    def busy(self) -> bool:
        """Whether it is still going on."""
        return self.status in {"waiting", "running"}


def _resident(pid: int) -> int:
    """Resident memory of a process. [byte]"""
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except (OSError, ValueError, IndexError):
        return 0
    return pages * 4096


def _bury(process: subprocess.Popen[str]) -> None:
    """Wait for the end of a killed process and close what led to it."""
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):  # what was still to be written has no reader
                pipe.close()


class Jobs:
    """Runs jobs in worker processes, at most `workers` at a time, one a key.

    Parameters
    ----------
    workers : int
        Processes at work at once.
    memory : int
        Data memory that one process may take. [byte]
    longest : float
        Time after which a job is given up. [s]
    """

    def __init__(self, workers: int = 2, memory: int = 8 * 2**30, longest: float = 900.0) -> None:
        self._turn = threading.BoundedSemaphore(workers)
        self._memory = memory
        self._longest = longest
        self._lock = threading.Lock()
        self._states: dict[str, Job] = {}
        self._tickets: dict[str, object] = {}
        self._busy: dict[str, subprocess.Popen[str]] = {}
        self._idle: list[subprocess.Popen[str]] = []
        self._closed = False
        self._idle.append(self._start())  # so that the first file need not wait for imports

    def submit(self, key: str, job: dict[str, Any]) -> None:
        """Start a job; one that is under way for the same key is cancelled.

        Parameters
        ----------
        key : str
            Whose job it is.
        job : dict
            As `worker.run_job` takes it.
        """
        self.cancel(key)
        ticket = object()
        with self._lock:
            self._tickets[key] = ticket
            self._states.pop(key, None)
            self._states[key] = Job(what=job["what"], status="waiting", step="waiting its turn")
            while len(self._states) > KEPT_STATES:
                oldest = next(k for k, s in self._states.items() if not s.busy)
                self._states.pop(oldest)
                self._tickets.pop(oldest, None)
        threading.Thread(target=self._run, args=(key, ticket, job), daemon=True).start()

    def state(self, key: str) -> Job | None:
        """State of the last job of a key.

        Parameters
        ----------
        key : str
            Whose job.

        Returns
        -------
        Job or None
            None where there was none.
        """
        with self._lock:
            return self._states.get(key)

    def cancel(self, key: str) -> None:
        """Stop a job; its process ends at once.

        Parameters
        ----------
        key : str
            Whose job.
        """
        with self._lock:
            state = self._states.get(key)
            if state is None or not state.busy:
                return
            self._states[key] = replace(state, status="cancelled", step="stopped")
            self._tickets.pop(key, None)
            process = self._busy.get(key)
        if process is not None:
            process.kill()

    def close(self) -> None:
        """End all workers."""
        with self._lock:
            self._closed = True
            processes = [*self._busy.values(), *self._idle]
            self._idle.clear()
        for process in processes:
            process.kill()
        for process in processes:
            _bury(process)

    def _start(self) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "dashboard.worker", str(self._memory)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            cwd=Path(__file__).parents[1],
        )

    def _set(self, key: str, ticket: object, **changes: Any) -> None:
        with self._lock:
            if self._tickets.get(key) is ticket:
                self._states[key] = replace(self._states[key], **changes)

    def _run(self, key: str, ticket: object, job: dict[str, Any]) -> None:
        with self._turn:
            with self._lock:
                if self._tickets.get(key) is not ticket or self._closed:
                    return
                process = self._idle.pop() if self._idle else None
            process = process or self._start()
            with self._lock:
                self._busy[key] = process
                if self._tickets.get(key) is not ticket:
                    process.kill()  # cancelled while it started
            self._set(key, ticket, status="running", step="starting")
            watch = threading.Timer(self._longest, process.kill)
            watch.daemon = True
            watch.start()
            fit = False
            try:
                fit = self._follow(key, ticket, process, job)
            finally:
                watch.cancel()
                with self._lock:
                    if self._busy.get(key) is process:
                        self._busy.pop(key)
                self._give_back(process, fit)

    def _follow(
        self, key: str, ticket: object, process: subprocess.Popen[str], job: dict[str, Any]
    ) -> bool:
        """Hand out a job and follow it; tell whether the process can take another."""
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(json.dumps(job) + "\n")
            process.stdin.flush()
            for line in process.stdout:
                answer = json.loads(line)
                if "progress" in answer:
                    step, share = answer["progress"]
                    self._set(key, ticket, step=step, share=float(share))
                elif "error" in answer:
                    self._set(key, ticket, status="failed", error=answer["error"])
                    return True
                else:
                    self._set(key, ticket, status="done", step="done", share=1.0)
                    return True
        except (OSError, ValueError):
            pass  # as when its answers end: the process is gone
        process.kill()
        self._set(
            key,
            ticket,
            status="failed",
            error="The work on this recording broke off: it took more than "
            f"{self._memory / 2**30:.0f} GB of memory or {self._longest / 60:.0f} minutes, or the "
            "file is damaged in a way no reader survives. The server is well; its output says more. Try a shorter "
            "recording, or another format.",
        )
        return False

    def _give_back(self, process: subprocess.Popen[str], fit: bool) -> None:
        with self._lock:
            fit = fit and process.poll() is None and _resident(process.pid) < KEEP_BELOW
            if fit and not self._closed and not self._idle:
                self._idle.append(process)
                return
        process.kill()
        _bury(process)
