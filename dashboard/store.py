"""Recordings that people brought in, each in a folder of its own under an unguessable name.

The name is the key: who has it (in the address of the page) sees the recording, nobody else
does. Folders are bounded in number and size, and go when nobody has used them for a while.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import threading
import time
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from analyzer.heading import HeadingHold
from analyzer.pipeline import Inspection, RunAnalysis, write_atomically
from analyzer.quantities import CrabwiseError
from analyzer.readers import BAG_SUFFIXES, SKIPPED_STEMS
from analyzer.readers.tables import TABLE_SUFFIXES, TEXT_SUFFIXES
from analyzer.traces import Panel, Track
from dashboard import bundle
from dashboard.fleets import SUMMARY, Fleets, has_rows

KEY = re.compile(r"[A-Za-z0-9_-]{22}")
ROBOT = "robot.toml"
IN_MEMORY = 12


def safe_name(name: str) -> str:
    """File name that cannot leave its folder or upset a terminal.

    Parameters
    ----------
    name : str
        Name as uploaded.

    Returns
    -------
    str
        Last part of it, with unusual characters replaced, at most 80 characters.
    """
    last = re.split(r"[\\/]", name)[-1]
    clean = re.sub(r"[^\w.+ ()\[\]-]", "_", last).strip(" .")
    if len(clean) > 80:
        stem, dot, suffix = clean.rpartition(".")
        clean = (stem[: 79 - len(suffix)] + dot + suffix) if len(suffix) < 12 else clean[:80]
    return clean or "recording"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One recording that was brought in, with its robot and what came of it.

    Attributes
    ----------
    key : str
        Its unguessable name.
    folder : Path
        Where it lies.
    """

    key: str
    folder: Path

    @property
    def work(self) -> Path:
        """Folder with the files of the recording and the robot file."""
        return self.folder / "work"

    @property
    def inspection_folder(self) -> Path:
        """Where the inspection is."""
        return self.folder / "inspection"

    @property
    def analysis_folder(self) -> Path:
        """Where the analysis is."""
        return self.folder / "analysis"

    def facts(self) -> dict[str, Any]:
        """What is known of the case: ``files`` and ``robot`` (name of the robot file or "")."""
        facts: dict[str, Any] = json.loads((self.folder / "facts.json").read_text("utf-8"))
        return facts

    def set_facts(self, **changes: Any) -> None:
        """Change facts.

        Parameters
        ----------
        **changes : object
            New values.
        """
        write_atomically(self.folder / "facts.json", json.dumps({**self.facts(), **changes}))

    def robot_text(self) -> str | None:
        """Text of the robot file; None where there is none yet."""
        path = self.work / ROBOT
        return path.read_text(encoding="utf-8", errors="replace") if path.is_file() else None

    def set_robot(self, text: str, name: str) -> None:
        """Give the case a robot file; an older inspection and analysis no longer hold.

        Parameters
        ----------
        text : str
            TOML text.
        name : str
            Name to show for it.
        """
        write_atomically(self.work / ROBOT, text)
        self.set_facts(robot=name)
        shutil.rmtree(self.analysis_folder, ignore_errors=True)

    def job(self, what: str) -> dict[str, Any]:
        """Order for the worker.

        Parameters
        ----------
        what : str
            "inspect", "analyze" or "demo".

        Returns
        -------
        dict
            As `worker.run_job` takes it.
        """
        out = self.analysis_folder if what == "analyze" else self.inspection_folder
        robot = ROBOT if what == "demo" or (self.work / ROBOT).is_file() else None
        return {
            "what": what,
            "folder": str(self.work),
            "paths": self.facts()["paths"],
            "robot": robot,
            "out": str(out),
        }


class Store:
    """All cases of one server.

    Parameters
    ----------
    root : Path
        Folder that belongs to this store alone.
    shelf : Path or None
        Folder from which recordings may be picked.
    most : int
        Cases kept; the one unused for longest goes first.
    size : int
        Bytes kept.
    expiry : float
        Time after which an unused case goes. [s]
    fleet : str or None
        Folder or address of a fleet's result.
    """

    def __init__(
        self,
        root: Path,
        shelf: Path | None = None,
        most: int = 60,
        size: int = 8 * 2**30,
        expiry: float = 24 * 3600.0,
        fleet: str | None = None,
    ) -> None:
        self.root = root
        self.shelf = None if shelf is None else shelf.resolve()
        self.fleets = Fleets(shelf=self.shelf, given=fleet)
        self._most, self._size, self._expiry = most, size, expiry
        self._lock = threading.Lock()
        self._loaded: OrderedDict[tuple[str, int], Any] = OrderedDict()

    def find(self, key: str | None) -> Case | None:
        """Look up a case.

        Parameters
        ----------
        key : str or None
            Its name, from the address of the page.

        Returns
        -------
        Case or None
            None where there is no such case (any more).
        """
        if not key or not KEY.fullmatch(key):
            return None
        folder = self.root / key
        try:
            os.utime(folder / "facts.json")
        except OSError:
            return None
        if not (folder / "work").is_dir():
            return None
        return Case(key=key, folder=folder)

    def _new(self) -> Case:
        self.sweep()
        key = secrets.token_urlsafe(16)
        case = Case(key=key, folder=self.root / key)
        case.work.mkdir(parents=True)
        write_atomically(case.folder / "facts.json", json.dumps({"robot": ""}))
        return case

    def bring_in(self, files: Iterable[tuple[str, bytes]]) -> Case:
        """Make a case of uploaded files.

        Parameters
        ----------
        files : iterable of (str, bytes)
            Names as uploaded, and contents. Robot files (TOML) among them become the robot.

        Returns
        -------
        Case
            The new case.

        Raises
        ------
        CrabwiseError
            Where there is no recording among them.
        """
        held = [(safe_name(name), content) for name, content in files]
        logs = [(n, c) for n, c in held if not n.lower().endswith(".toml")]
        robots = [(n, c) for n, c in held if n.lower().endswith(".toml")]
        if not logs:
            msg = "No recording among these files; a robot file alone cannot be analysed."
            raise CrabwiseError(msg)
        case = self._new()
        # A bag that comes as several files is one recording: its folder stands for it.
        inside = "bag" if any(n == "metadata.yaml" for n, _ in logs) else ""
        (case.work / inside).mkdir(exist_ok=True)
        names: list[str] = []
        for name, content in logs:
            unique = name
            while unique in names or unique == ROBOT:
                unique = f"{len(names)}_{name}"
            names.append(unique)
            (case.work / inside / unique).write_bytes(content)
        case.set_facts(files=names, paths=[inside] if inside else names)
        if robots:
            name, content = robots[-1]
            case.set_robot(content.decode("utf-8-sig", errors="replace"), name)
        return case

    def made_up(self) -> Case:
        """Make a case of the made-up sample, which its first job writes.

        Returns
        -------
        Case
            The new case.
        """
        case = self._new()
        case.set_facts(files=["drive.csv (made up)"], paths=["drive.csv"], robot="book_cart.toml")
        return case

    def pick(self, names: Iterable[str], robot: str = "") -> Case:
        """Make a case of files or folders on the shelf.

        Parameters
        ----------
        names : iterable of str
            Paths within the shelf.
        robot : str
            Robot file within the shelf; "" for none.

        Returns
        -------
        Case
            The new case.

        Raises
        ------
        CrabwiseError
            Where a path is not on the shelf.
        """
        paths = [self._on_shelf(name) for name in names]
        if not paths:
            msg = "Pick at least one recording."
            raise CrabwiseError(msg)
        text = self._on_shelf(robot).read_text("utf-8", errors="replace") if robot else ""
        case = self._new()
        shown: list[str] = []
        for path in paths:
            name = path.name if path.name not in shown else f"{len(shown)}_{path.name}"
            (case.work / name).symlink_to(path)
            shown.append(name)
        case.set_facts(files=shown, paths=shown)
        if text:
            case.set_robot(text, Path(robot).name)
        return case

    def offered(self, most: int = 500) -> tuple[list[str], list[str]]:
        """What can be picked: recordings and robot files on the shelf.

        Parameters
        ----------
        most : int
            Entries listed at most.

        Returns
        -------
        logs, robots : list of str
            Paths within the shelf; a folder that holds logs stands for one recording.
        """
        if self.shelf is None:
            return [], []
        logs: list[str] = []
        robots: list[str] = []
        known = TABLE_SUFFIXES | TEXT_SUFFIXES | BAG_SUFFIXES
        for place, folders, names in os.walk(self.shelf):
            folder = Path(place)
            folders[:] = sorted(f for f in folders if not f.startswith("."))
            if folder == self.shelf:
                folders[:] = [f for f in folders if f not in {"results", "index"}]  # filed results
            if "rows" in folders and has_rows(folder):
                folders.remove("rows")  # of a fleet
            inside = folder.relative_to(self.shelf)
            held = [n for n in sorted(names) if Path(n).suffix.lower() in known and n[0] != "."]
            held = [n for n in held if not Path(n).stem.lower().startswith(SKIPPED_STEMS)]
            held = [n for n in held if n != SUMMARY]
            if len(held) > 1 and folder != self.shelf:
                logs.append(str(inside))
            logs += [str(inside / n) for n in held]
            robots += [str(inside / n) for n in sorted(names) if n.lower().endswith(".toml")]
            if len(logs) >= most:
                break
        return logs[:most], robots[:most]

    def _on_shelf(self, name: str) -> Path:
        if self.shelf is not None:
            path = (self.shelf / name).resolve()
            if path != self.shelf and path.is_relative_to(self.shelf) and path.exists():
                return path
        msg = f"{name!r} is not in the folder that this page was started with."
        raise CrabwiseError(msg)

    def inspection(self, case: Case) -> Inspection | None:
        """What was found in a recording.

        Parameters
        ----------
        case : Case
            The case.

        Returns
        -------
        Inspection or None
            None where it was not inspected yet.
        """
        value: Inspection | None = self._load(case.inspection_folder)
        return value

    def analysis(self, case: Case) -> RunAnalysis | None:
        """Analysis of a recording.

        Parameters
        ----------
        case : Case
            The case.

        Returns
        -------
        RunAnalysis or None
            None where it was not analysed yet.
        """
        held = self._load(case.analysis_folder)
        return None if held is None else cast("RunAnalysis", held["analysis"])

    def track(self, case: Case) -> Track:
        """Way of the base in an analysed recording.

        Parameters
        ----------
        case : Case
            The case; it must have an analysis.

        Returns
        -------
        Track
            To draw.
        """
        return cast("Track", self._load(case.analysis_folder)["track"])

    def hold(self, case: Case) -> HeadingHold | str:
        """Heading hold tuned from an analysed recording.

        Parameters
        ----------
        case : Case
            The case.

        Returns
        -------
        HeadingHold or str
            The tuning, or why there is none.
        """
        held = self._load(case.analysis_folder)
        return (
            "It was not analysed yet." if held is None else cast("HeadingHold | str", held["hold"])
        )

    def panels(self, case: Case) -> tuple[Panel, ...]:
        """Lines along time of an analysed recording.

        Parameters
        ----------
        case : Case
            The case.

        Returns
        -------
        tuple of Panel
            Empty where it was not analysed yet.
        """
        held = self._load(case.analysis_folder)
        return () if held is None else cast("tuple[Panel, ...]", held["panels"])

    def _load(self, folder: Path) -> Any:
        try:
            mark = (str(folder), (folder / bundle.INDEX).stat().st_mtime_ns)
        except OSError:
            return None
        with self._lock:
            if mark in self._loaded:
                self._loaded.move_to_end(mark)
                return self._loaded[mark]
        try:
            value = bundle.load(folder)
        except FileNotFoundError:
            return None  # swept meanwhile
        with self._lock:
            self._loaded[mark] = value
            while len(self._loaded) > IN_MEMORY:
                self._loaded.popitem(last=False)
        return value

    def sweep(self) -> None:
        """Let go of cases that are too old, too many or too big."""
        with self._lock:
            found = []
            for folder in self.root.iterdir():
                mark = folder / "facts.json"
                if mark.is_file():
                    size = sum(f.lstat().st_size for f in folder.rglob("*") if not f.is_symlink())
                    found.append((mark.stat().st_mtime, size, folder))
            found.sort(reverse=True)
            total = 0
            oldest = time.time() - self._expiry
            for number, (used, size, folder) in enumerate(found, start=1):
                total += size
                if used < oldest or number >= self._most or total > self._size:
                    shutil.rmtree(folder, ignore_errors=True)
