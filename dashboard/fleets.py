"""Results of fleets that the page may show: the one it was started with, and those on the shelf."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analyzer.fleet import ROWS, open_fleet, read_fleet
from analyzer.quantities import CrabwiseError
from analyzer.trends import SHOWN, SUMMARY_SCHEMA, summarise

if TYPE_CHECKING:
    import pyarrow as pa

SUMMARY = "summary.json"
DEPTH = 3
"""Folders below the shelf that are searched. [-]"""
MOST = 100
"""Fleets listed at most. [-]"""
DRIFTS = tuple(
    f"yaw_drift_{side}_deg_per_m{part}" for side in ("left", "right") for part in ("", "_std_error")
)
COLUMNS = (
    "robot", "date", "recorded_at", "recording", "status", "message", "passes", "warnings", *DRIFTS, "cause",
    "cause_wheel", "cause_probability",
)  # fmt: skip
"""What a list of recordings shows of a row."""
SUMMED = (
    "robot", "date", "recorded_at", "recording", "status", "message", "duration_s", "driven_m", "cause",
    "cause_wheel", "cause_probability", "wheels", *(n + part for n in SHOWN for part in ("", "_std_error")),
)  # fmt: skip
"""What a summary needs of a row."""


def has_rows(folder: Path) -> bool:
    """Whether a folder holds rows of a fleet.

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    bool
        False for a folder of recordings that happens to have such a name.
    """
    return next((folder / ROWS).glob("robot=*"), None) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleets:
    """Fleets by name.

    Attributes
    ----------
    shelf : Path or None
        Folder that is searched for fleets.
    given : str or None
        Folder or fsspec address of the fleet that the page was started with.
    """

    shelf: Path | None = None
    given: str | None = None

    def names(self) -> list[str]:
        """Fleets that can be shown; "." is the shelf itself.

        Returns
        -------
        list of str
            The one the page was started with first, then paths within the shelf.
        """
        out = [] if self.given is None else [self.given]
        if self.shelf is None:
            return out
        for place, folders, files in os.walk(self.shelf):
            inside = Path(place).relative_to(self.shelf)
            if SUMMARY in files or has_rows(Path(place)):
                out.append(str(inside))
                folders.clear()
            elif len(inside.parts) >= DEPTH or len(out) >= MOST:
                folders.clear()
            # "::" would chain file systems.
            folders[:] = sorted(f for f in folders if f[0] != "." and "::" not in f)
        return out[:MOST]

    def _address(self, name: str) -> str:
        if name == self.given:
            return name
        if self.shelf is not None and name in self.names():
            path = (self.shelf / name).resolve()
            if path.is_relative_to(self.shelf):
                return str(path)
        msg = f"{name!r}: no such fleet on this page."
        raise CrabwiseError(msg)

    def summary(self, name: str) -> tuple[dict[str, Any], bool]:
        """Summary of a fleet.

        Parameters
        ----------
        name : str
            One of `names`.

        Returns
        -------
        summary : dict
            As `trends.summarise` gives it.
        finished : bool
            False where there is no summary yet, and it was made of the rows there are.

        Raises
        ------
        CrabwiseError
            Where it cannot be read, or is of another version.
        """
        address = self._address(name)
        fs, root = open_fleet(address)
        try:
            with fs.open(f"{root}/{SUMMARY}", "rb") as file:
                found = json.loads(file.read())
        except FileNotFoundError:
            return summarise(read_fleet(address, columns=SUMMED).to_pylist()), False
        except ValueError:
            found = None
        except Exception as error:  # each store of objects has errors of its own
            msg = f"{address}/{SUMMARY}: cannot be read: {error}"
            raise CrabwiseError(msg) from error
        if not isinstance(found, dict) or found.get("schema") != SUMMARY_SCHEMA:
            msg = f"{name}/{SUMMARY}: not a summary of this version; run crabwise fleet again"
            raise CrabwiseError(msg)
        return found, True

    def recordings(self, name: str, robot: str = "", cause: str = "") -> pa.Table:
        """Rows of recordings, the newest first; what is not asked for is not read.

        Parameters
        ----------
        name : str
            One of `names`.
        robot : str
            Only those of this robot: other robots' files are left unread.
        cause : str
            Only those with this cause first.

        Returns
        -------
        pyarrow.Table
            `COLUMNS` of the rows.

        Raises
        ------
        CrabwiseError
            Where there are no rows.
        """
        asked = [("robot", "=", robot)] if robot else []
        asked += [("cause", "=", cause)] if cause else []
        table = read_fleet(self._address(name), asked or None, COLUMNS)
        return table.sort_by([("recorded_at", "descending"), ("recording", "ascending")])
