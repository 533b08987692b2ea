"""Fuzz one target for some minutes of processor time: ``python -m tests.fuzz.run text --minutes 60``.

Targets: text, bag, robot, result. With `--coverage` the engine is atheris, where it is installed; else
damage is random. Inputs that fail are kept in the folder given by `--keep`; the figures are printed.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import resource
import signal
import sys
import time
import traceback
from pathlib import Path

NAMES = ("text", "bag", "robot", "result")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=NAMES)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--memory", type=float, default=4.0, help="limit of address space [GB]")
    parser.add_argument("--keep", type=Path, default=Path("fuzz_failures"))
    parser.add_argument("--coverage", action="store_true", help="use atheris")
    options = parser.parse_args()
    # A shell lets what it runs in the background ignore this signal.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    size = int(options.memory * 2**30)
    resource.setrlimit(resource.RLIMIT_AS, (size, size))
    if options.coverage:
        return by_coverage(options.target, options.minutes)
    from tests.fuzz.targets import TARGETS, damage, one

    seeds = TARGETS[options.target][0]()
    seed = options.seed if options.seed is not None else time.time_ns()
    rng = random.Random(seed)
    print(f"{options.target}: seed {seed}, {len(seeds)} inputs to start from", flush=True)
    options.keep.mkdir(parents=True, exist_ok=True)
    began = time.process_time()  # the machine may be busy with other things
    runs = accepted = 0
    slowest = 0.0
    kinds: dict[str, int] = {}
    while time.process_time() - began < 60 * options.minutes:
        ending, data = rng.choice(seeds)
        broken = damage(data, rng.choice(seeds)[1], rng)
        start = time.monotonic()
        # A crash of the interpreter itself leaves nothing but this.
        (options.keep / f"last_{options.target}").write_bytes(ending.encode() + b"\n" + broken)
        try:
            accepted += one(options.target, ending, broken)
        except KeyboardInterrupt:
            break  # what was seen so far is told
        except BaseException as error:  # noqa: BLE001 - whatever comes is a failure to keep
            last = traceback.extract_tb(error.__traceback__)[-1]
            ours = [
                f for f in traceback.extract_tb(error.__traceback__) if "/analyzer/" in f.filename
            ]
            where = ours[-1] if ours else last
            name = f"{type(error).__name__} at {Path(where.filename).name}:{where.lineno}: {str(error)[:90]}"
            if name not in kinds:
                digest = hashlib.sha256(broken).hexdigest()[:12]
                (options.keep / f"{options.target}_{digest}.{ending}").write_bytes(broken)
                print(f"FAILED {digest}.{ending}: {name}", flush=True)
            kinds[name] = kinds.get(name, 0) + 1
        slowest = max(slowest, time.monotonic() - start)
        runs += 1
    (options.keep / f"last_{options.target}").unlink(missing_ok=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    spent = time.process_time() - began
    print(
        f"{options.target}: {runs} runs in {spent / 60:.1f} min of processor time ({runs / spent:.1f}/s), {accepted} accepted, "
        f"{runs - accepted - sum(kinds.values())} refused in words, {sum(kinds.values())} failures of "
        f"{len(kinds)} kinds; slowest {slowest:.1f} s, peak memory {peak:.2f} GB"
    )
    return 1 if kinds else 0


def by_coverage(target: str, minutes: float) -> int:
    try:
        import atheris
    except ImportError:
        print(
            "atheris is not installed (pip install atheris); leave out --coverage", file=sys.stderr
        )
        return 2
    # Only what is imported in here tells the engine which branches an input reached.
    with atheris.instrument_imports(include=["analyzer"]):
        from tests.fuzz.targets import TARGETS, one
    seeds = TARGETS[target][0]()
    endings = sorted({e for e, _ in seeds})

    def test(data: bytes) -> None:
        if data:
            one(target, endings[data[0] % len(endings)], data[1:])

    folder = Path("fuzz_corpus") / target
    folder.mkdir(parents=True, exist_ok=True)
    for ending, data in seeds:
        mark = bytes([endings.index(ending)])
        (folder / hashlib.sha256(data).hexdigest()[:12]).write_bytes(mark + data)
    most = max(len(data) for _, data in seeds) + 1
    limits = [f"-max_total_time={60 * minutes:.0f}", f"-max_len={most}", "-timeout=60"]
    atheris.Setup([sys.argv[0], *limits, str(folder)], test)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())
