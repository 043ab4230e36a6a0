"""A log whose writers are killed at any instant, and whose machine loses power.

    python tests/bench/killed.py [--kills 1000] [--processes 20] [--seed 1] [--quick]

Processes log, tag, import and prune, all on one log and on clocks that run as fast as they can, and are killed
(SIGKILL) at random instants; each says through a pipe what it is about to do and what is done. After each kill the log
is opened again and looked through: PRAGMA integrity_check, foreign keys, all blocks folded anew. Nothing that was
committed may be gone, and no more of what was measured than ``commit_s`` allows. Then the next ones begin on the same
log. In between, power cuts are played on copies: the write-ahead log ends anywhere after what was put in its place, in
noise or not, the index of it (-shm) is gone, and pages that a checkpoint was writing are torn. ``--processes``: so many
kills of a whole ``linktrial log``, in real time. Ends with code 1 where anything was found.
"""

from __future__ import annotations

import argparse
import io
import os
import random
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

import sqlite_utils  # noqa: F401  so that logs are migrated in this process

from adapters.simulated import SimulatedClock, SimulatedRadio, pottery
from logger.daemon import Daemon
from logger.errors import LogError
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.pruning import Pruner
from logger.rescuing.page_format import committed_frames
from logger.sampler import Sampler
from logger.timeline import Timeline
from logger.voice import Voice
from tests.logger.soundness import unsound

START_MS = pottery.start_utc_ms()
PAGE, FRAME, WAL_HEADER = 4096, 4096 + 24, 32
ROWS = 200  # of an imported file
KEEP_DAYS = 0.02
LONGEST_S = 0.6  # from a start to the kill
A_LOG_LASTS = 40  # kills
_SAID = struct.Struct("<cq")


@dataclass
class Found:
    """What came of all kills. ``worst_s``: the largest loss of a logger that wrote alone, ``worst_share`` the largest in
    parts of what commit_s allowed it; ``worst_beside_s`` is of one that had to wait for others, whose every wait is
    long on a clock that runs so fast."""

    n_kills: int = 0
    n_power_cuts: int = 0
    n_samples: int = 0
    worst_s: float = 0.0
    worst_share: float = 0.0
    worst_beside_s: float = 0.0
    faults: list[str] = field(default_factory=list)


@dataclass
class Kept:
    """What the log has to hold, as of the last look."""

    times: set[int] = field(default_factory=set)
    n_edits: int = 0
    n_imports: int = 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--processes", type=int, default=20, help="kills of a whole 'linktrial log', in real time")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="30 kills, and 2 of a whole program")
    args = parser.parse_args()
    kills, processes = (30, 2) if args.quick else (args.kills, args.processes)
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        found = kill(Path(folder), kills, args.seed)
        took_s = time.monotonic() - began_s
        worst_s = kill_programs(Path(folder), processes, args.seed, found)
    print(f"{found.n_kills} kills and {found.n_power_cuts} power cuts in {took_s:.0f} s, {found.n_samples:,} samples")
    print(f"largest loss: {found.worst_s:.1f} s of samples, {found.worst_share:.2f} of what commit_s allows;", end=" ")
    print(f"{found.worst_beside_s:.1f} s of the clock's where others wrote at the same time")
    if processes:
        print(f"{processes} kills of 'linktrial log': largest loss {worst_s:.1f} s at commit_s = 1")
    print("\n".join(found.faults[:20]) or "no fault")
    return int(bool(found.faults) or found.worst_share > 1)


def kill(folder: Path, n_kills: int, seed: int) -> Found:
    """So many rounds of writers killed at once or one after the other; a new log from time to time."""
    chance, found = random.Random(seed), Found()
    while found.n_kills < n_kills:
        for path in folder.glob("pottery.db*"):
            path.unlink()
        path, kept = folder / "pottery.db", Kept()
        for _ in range(min(A_LOG_LASTS, n_kills - found.n_kills)):
            one_kill(path, kept, chance, found)
            if found.faults:
                return found
        found.n_samples += len(kept.times)
    return found


def one_kill(path: Path, kept: Kept, chance: random.Random, found: Found) -> None:
    interval_s, commit_s = chance.choice([(0.1, 1.0), (0.1, 10.0), (1.0, 10.0), (5.0, 10.0), (0.1, 0.2)])
    base_ms = max(kept.times, default=START_MS) + 60_000
    writers: list[Callable[[int], None]] = []
    if chance.random() < 0.85 or not kept.times:
        writers.append(lambda pipe: logs(path, base_ms, interval_s, commit_s, pipe))
    if kept.times and chance.random() < 0.4:
        writers.append(lambda pipe: tags(path, base_ms, chance.random(), pipe))
    if kept.times and (chance.random() < 0.15 or not writers):
        writers.append(lambda pipe: imports(path, found.n_kills, pipe))
    if kept.times and chance.random() < 0.15:
        writers.append(lambda pipe: prunes(path, base_ms, pipe))
    said = run_and_kill(writers, chance)
    found.n_kills += len(writers)
    where = f"round of kill {found.n_kills}"
    if chance.random() < 0.5:
        cut_power(path, chance, found, where)
    lost_s = look(path, kept, said, interval_s, found, where)
    if len(writers) == 1:
        found.worst_s = max(found.worst_s, lost_s)
        # What a tick took and had not written yet when it was killed counts, too: one interval.
        found.worst_share = max(found.worst_share, lost_s / max(commit_s, 2 * interval_s))
    else:
        found.worst_beside_s = max(found.worst_beside_s, lost_s)


# --- the writers, each in a process of its own ---


def logs(path: Path, base_ms: int, interval_s: float, commit_s: float, pipe: int) -> None:
    """The daemon as it is, on a clock that knows no waiting. Says each sample taken, and what was committed."""
    clock = SimulatedClock(base_ms)
    sampler = Sampler(SimulatedRadio(pottery.scene(START_MS), clock, seed=base_ms % 1000), clock, interval_s)
    with Log.open(path) as log:
        interval_ms = round(interval_s * 1000)
        voice = Voice(io.StringIO(), io.StringIO())
        daemon = Daemon(log, Telling(sampler, pipe), clock, voice, interval_ms=interval_ms, commit_s=commit_s)
        daemon.begin(version="1", adapter="simulated", interface="sim0")
        while True:
            if daemon.tick():
                os.write(pipe, _SAID.pack(b"c", clock.utc_ms()))
            clock.advance(interval_s)


class Telling(Sampler):
    """A sampler that says what it took before anybody else has it."""

    def __init__(self, sampler: Sampler, pipe: int) -> None:
        self.__dict__.update(sampler.__dict__)
        self._pipe = pipe

    def tick(self):
        samples, events = super().tick()
        for sample in samples:
            os.write(self._pipe, _SAID.pack(b"s", sample.time_utc_ms))
        return samples, events


def tags(path: Path, base_ms: int, seed: float, pipe: int) -> None:
    """The owner, in a hurry. Says each edit that is done."""
    chance, clock = random.Random(seed), SimulatedClock(base_ms)
    with Log.open(path) as log:
        timeline = Timeline(log, clock, "Europe/Berlin")
        n = 0
        while True:
            clock.advance(chance.choice([0.1, 2, 40]))
            back_ms = clock.utc_ms() - chance.randrange(120_000)
            with suppress(LogError):
                match chance.choice(["at", "changed", "back-to", "split", "join", "undo"]):
                    case "at":
                        timeline.at(chance.choice(["kiln room", "wheel", "glaze shelf"]), back_ms)
                    case "changed":
                        timeline.changed(f"change {n}", back_ms)
                    case "back-to":
                        timeline.back_to(1)
                    case "split":
                        timeline.split(back_ms)
                    case "join":
                        timeline.join(chance.choice(timeline.periods()[-6:]).id)
                    case "undo":
                        timeline.undo()
                n += 1
                os.write(pipe, _SAID.pack(b"e", n))


def imports(path: Path, number: int, pipe: int) -> None:
    """Recordings of somebody else's, one after the other. Says each that is in."""
    file = path.with_name("recording.csv")
    with Log.open(path) as log:
        for n in range(1000):
            begin = f"2020-{1 + n % 12:02}-{1 + number % 28:02}T{number // 28 % 24:02}:"
            rows = (f"{begin}{i // 60:02}:{i % 60:02}Z,kiln room,shelf {number},v1,5,-6{i % 10}" for i in range(ROWS))
            file.write_text("time,location,placement,version,band,rssi_dbm\n" + "\n".join(rows))
            with suppress(LogError):
                import_recording(log, file, now_utc_ms=START_MS, zone="UTC")
                os.write(pipe, _SAID.pack(b"i", n))


def prunes(path: Path, base_ms: int, pipe: int) -> None:
    """Old samples are given up. Says nothing: the horizon in the log tells."""
    with Log.open(path) as log:
        pruner = Pruner(log, SimulatedClock(base_ms), keep_days=KEEP_DAYS)
        while True:
            with suppress(LogError):
                pruner.move_horizons(base_ms, at_most_ms=60_000)
                pruner.bite()
                pruner.shrink()


def run_and_kill(writers: list[Callable[[int], None]], chance: random.Random) -> list[tuple[bytes, int]]:
    """Run them beside each other, kill each at an instant of its own; returns what they said."""
    pids, pipes = [], []
    for write in writers:
        hear, tell = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(hear)
            signal.signal(signal.SIGINT, signal.SIG_IGN)
            with suppress(BaseException):
                write(tell)
                os._exit(0)
            import traceback

            os.write(2, traceback.format_exc().encode())
            os._exit(1)
        os.close(tell)
        os.set_blocking(hear, False)
        pids.append(pid)
        pipes.append(hear)
    heard = [b""] * len(pids)
    deadline_s = [time.monotonic() + chance.random() ** 1.5 * LONGEST_S for _ in pids]
    alive = set(range(len(pids)))
    while alive:
        for index in sorted(alive):
            heard[index] += _read(pipes[index])
            if time.monotonic() >= deadline_s[index]:
                os.kill(pids[index], signal.SIGKILL)
                os.waitpid(pids[index], 0)
                heard[index] += _read(pipes[index])
                alive.discard(index)
        time.sleep(0.0005)
    for pipe in pipes:
        os.close(pipe)
    return [record for told in heard for record in _SAID.iter_unpack(told[: len(told) // _SAID.size * _SAID.size])]


def _read(pipe: int) -> bytes:
    told = b""
    with suppress(BlockingIOError):
        while some := os.read(pipe, 1 << 16):
            told += some
    return told


# --- what is left ---


def look(
    path: Path,
    kept: Kept,
    said: list[tuple[bytes, int]],
    interval_s: float,
    found: Found,
    where: str,
) -> float:
    """Open the log as the next start does, and look it through; returns how many seconds of samples were lost."""
    if not path.exists():  # killed before there was one
        return 0.0
    with Log.open(path) as log:
        horizon_ms = (log.db.execute("SELECT max(before_utc_ms) FROM pruned").fetchone() or [None])[0] or 0
        own = "SELECT time_utc_ms FROM sample JOIN period ON period.id = period_id WHERE source_id = 1"
        times = {row[0] for row in log.db.execute(own)}
        n_edits = log.db.execute("SELECT count(*) + count(undone_at_utc_ms) FROM edit").fetchone()[0]
        sources = log.db.execute("SELECT count(*) FROM source WHERE kind = 'import'").fetchone()[0]
        n_events = log.db.execute("SELECT count(*) FROM event WHERE kind = 'imported'").fetchone()[0]
        n_rows = log.db.execute(
            "SELECT count(*) FROM sample JOIN period ON period.id = period_id WHERE source_id > 1"
        ).fetchone()[0]
    found.faults += [f"{where}: {fault}" for fault in unsound(path)]
    gone = {time_ms for time_ms in kept.times - times if time_ms >= horizon_ms}
    if gone:
        found.faults.append(f"{where}: {len(gone)} samples of before are gone, from {min(gone)}")
    taken = {value for kind, value in said if kind == b"s"}
    committed_ms = max((value for kind, value in said if kind == b"c"), default=0)
    missing = taken - times
    if any(horizon_ms <= time_ms <= committed_ms for time_ms in missing):
        found.faults.append(f"{where}: samples that were committed are gone")
    if times - taken - kept.times:
        found.faults.append(f"{where}: {len(times - taken - kept.times)} samples were made up")
    n_said = sum(kind == b"e" for kind, _ in said)
    if not kept.n_edits + n_said <= n_edits <= kept.n_edits + n_said + 1:
        found.faults.append(f"{where}: {n_edits - kept.n_edits} edits in the log, {n_said} said")
    n_said = sum(kind == b"i" for kind, _ in said)
    if not kept.n_imports + n_said <= n_events <= kept.n_imports + n_said + 1 or n_rows != n_events * ROWS:
        found.faults.append(f"{where}: {n_events} imports, {n_rows} rows in {sources} sources")
    kept.times, kept.n_edits, kept.n_imports = times, n_edits, n_events
    return (max(taken) - min(missing)) / 1000 + interval_s if missing else 0.0


def cut_power(path: Path, chance: random.Random, found: Found, where: str) -> None:
    """On a copy: what a disk may hold after the power went."""
    wal, shm = (Path(f"{path}{suffix}") for suffix in ("-wal", "-shm"))
    if not wal.exists() or not shm.exists() or wal.stat().st_size < WAL_HEADER or shm.stat().st_size < 100:
        return
    found.n_power_cuts += 1
    n_frames, n_in_place = (
        struct.unpack_from("=I", shm.read_bytes(), 16)[0],
        struct.unpack_from("=I", shm.read_bytes(), 96)[0],
    )
    for torn in (False, True):
        copy = path.with_name("cut.db")
        for suffix in ("", "-wal", "-shm"):
            Path(f"{copy}{suffix}").unlink(missing_ok=True)
        shutil.copyfile(path, copy)
        log = wal.read_bytes()
        first = WAL_HEADER + (n_frames if torn else n_in_place) * FRAME
        if first < len(log):
            at = chance.randint(first, len(log))
            log = log[:at] + chance.choice([b"", chance.randbytes(min(len(log) - at, 9000)), bytes(len(log) - at)])
        Path(f"{copy}-wal").write_bytes(log)
        if torn:
            for page in committed_frames(log, PAGE):
                with copy.open("r+b") as file:
                    file.seek((page - 1) * PAGE)
                    file.write(chance.randbytes(chance.randint(0, PAGE)))
        try:
            if sqlite_is_empty(copy):  # cut back to before there was a log
                continue
            Log.open(copy, create=False).close()
            found.faults += [f"{where}, power cut{', torn' if torn else ''}: {fault}" for fault in unsound(copy)]
        except (LogError, sqlite3.DatabaseError) as error:
            found.faults.append(f"{where}, power cut{', torn' if torn else ''}: {error}")


def sqlite_is_empty(path: Path) -> bool:
    with closing(sqlite3.connect(path)) as db:
        return db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0


# --- the whole program ---


def kill_programs(folder: Path, n_kills: int, seed: int, found: Found) -> float:
    """Kill ``linktrial log`` on the simulated radio so often; returns the largest loss in seconds."""
    chance, path, settings = random.Random(seed), folder / "real.db", folder / "settings.toml"
    settings.write_text("commit_s = 1\n")
    command = [sys.executable, "-m", "logger.console", "log", "--simulated", str(seed), "--interval", "0.1"]
    worst_s, before = 0.0, 0
    for number in range(n_kills):
        program = subprocess.Popen(
            [*command, "--db", str(path)],
            env=os.environ | {"LINKTRIAL_SETTINGS": str(settings)},
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        with program:
            assert program.stdout is not None
            program.stdout.readline()
            began_ms = time.time_ns() // 1_000_000
            time.sleep(chance.uniform(0, 4))
            program.kill()
        killed_ms = time.time_ns() // 1_000_000
        with closing(sqlite3.connect(path)) as db:
            n, newest = db.execute("SELECT count(*), max(time_utc_ms) FROM sample").fetchone()
        found.faults += [f"program {number}: {fault}" for fault in unsound(path)]
        if n < before:
            found.faults.append(f"program {number}: {before - n} samples of before are gone")
        before = n
        worst_s = max(worst_s, (killed_ms - max(newest or 0, began_ms)) / 1000)
    if worst_s > 1.35:  # an interval late, and a machine that is busy elsewhere
        found.faults.append(f"programs: {worst_s:.2f} s were lost, at commit_s = 1")
    return worst_s


if __name__ == "__main__":
    sys.exit(main())
