"""The pages, in the order of the questions; each gives a layout and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from dashboard.jobs import Job, Jobs
from dashboard.pages import cause, change, fleet, motion, plan, proof, recording, season
from dashboard.settings import Settings
from dashboard.store import Case, Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What a page is asked to show.

    Attributes
    ----------
    store : Store
        Recordings of this server.
    settings : Settings
        What it was started with.
    jobs : Jobs
        Background work.
    case : Case or None
        The recording that the address names.
    job : Job or None
        Work under way, or last done, on it.
    query : dict of str to str
        The rest of the address.
    """

    store: Store
    settings: Settings
    jobs: Jobs
    case: Case | None
    job: Job | None
    query: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page.

    Attributes
    ----------
    path, name, question : str
        Address, name and the question it answers.
    layout : callable
        Visit to content.
    needs : tuple of str
        Parts of the address that make another page of it.
    """

    path: str
    name: str
    question: str
    layout: Callable[[Any], Any]
    needs: tuple[str, ...] = ("case",)


PAGES = (
    Page(path="/", name="Recording", question="Can I trust it?", layout=recording.layout),
    Page(path="/motion", name="Motion", question="What does it do?", layout=motion.layout),
    Page(path="/cause", name="Cause", question="Why?", layout=cause.layout),
    Page(path="/change", name="Change", question="What if?", layout=change.layout),
    Page(
        path="/proof",
        name="Proof",
        question="Did it work?",
        layout=proof.layout,
        needs=("case", "other", "is"),
    ),
    Page(path="/season", name="Season", question="How does it go on?", layout=season.layout),
    Page(path="/plan", name="Plan", question="What to drive next?", layout=plan.layout),
    Page(
        path="/fleet",
        name="Fleet",
        question="Which one needs me?",
        layout=fleet.layout,
        needs=("fleet",),
    ),
)
