"""What the page is started with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of one server.

    Attributes
    ----------
    root : Path
        Empty folder for what people bring in; belongs to this server alone.
    shelf : Path or None
        Folder from which recordings may be picked.
    fleet : str or None
        Folder or fsspec address of a fleet's result to show.
    hosts : frozenset of str
        Host names under which the page may be asked for, besides addresses in numbers.
    upload_bytes : int
        Largest upload, all files together.
    workers : int
        Processes that analyse at the same time.
    worker_memory : int
        Data memory that one of them may take. [byte]
    """

    root: Path
    shelf: Path | None = None
    fleet: str | None = None
    hosts: frozenset[str] = frozenset({"localhost"})
    upload_bytes: int = 120 * 2**20
    workers: int = 2
    worker_memory: int = 8 * 2**30
